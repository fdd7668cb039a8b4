"""A folder with all of a case series: page, Word file, tables, figures and every number."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

from retreat.errors import Fault, RetreatError
from retreat.files import write_whole
from retreat.pages.column_widths import LINE, letters, shares
from retreat.pages.document import Document
from retreat.pages.study import all_grids, render_study, study_chapters, study_content

if TYPE_CHECKING:
    import pandas as pd

    from retreat.study.in_hand.content import Grid
    from retreat.study.series import StudySeries

# a row of a longer table does not fit beside its head on a sheet
_LONG = 40


def write_study(series: StudySeries, folder: str | Path) -> tuple[Path, ...]:
    """Write page, Word file, JSON, tables and figures; the same series gives the same bytes.

    Parameters
    ----------
    series : StudySeries
        From :func:`retreat.study.study_series`.
    folder : str or Path
        Folder, made if it is not there. Files of the same names are replaced.

    Returns
    -------
    tuple of Path
        `study.html`, `study.docx`, `study.json`; in `tables` each table of numbers as CSV, with the cautions in a text
        beside them, and each table of the page as HTML and LaTeX (package booktabs, and longtable for long ones); in
        `figures` each picture as SVG and PNG.

    Raises
    ------
    RetreatError
        If something cannot be written.
    """
    home = Path(folder)
    tables, figures = home / "tables", home / "figures"
    for place in (home, tables, figures):
        try:
            place.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise RetreatError(_fault(place, error)) from None
    chapters = study_chapters(series)
    document = Document(study_content(series, chapters))
    told = json.dumps(series.to_json(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    written = [
        _write(home / "study.html", render_study(series, chapters)),
        document.write_docx(home / "study.docx"),
        _write(home / "study.json", told),
    ]
    # a table of numbers has no place for words
    written.append(_write(tables / "cautions.txt", "\n".join((*series.cautions, series.cohort.rule)) + "\n"))
    for name, frame in _frames(series).items():
        written.append(_write(tables / f"{name}.csv", frame.to_csv(index=False, lineterminator="\n")))
    banner = " ".join(series.cautions)
    for name, grid in all_grids(chapters).items():
        written.append(_write(tables / f"{name}.html", table_html(grid, banner)))
        written.append(_write(tables / f"{name}.tex", table_latex(grid, banner)))
    return (*written, *document.write_pictures(figures))


def table_html(grid: Grid, caution: str) -> str:
    """A table of the page as an HTML table, cautions in its caption."""
    import html

    frame = _framed(grid)
    caption = html.escape(f"{grid.caption}. {caution}")
    styler = frame.style.hide(axis="index").format(escape="html").format_index(escape="html", axis="columns")
    text: str = styler.set_caption(caption).set_uuid("study").to_html()
    return text


def table_latex(grid: Grid, caution: str) -> str:
    r"""A table of the page in LaTeX, for the package booktabs (and longtable), cautions in its caption.

    Examples
    --------
    >>> from retreat.study.in_hand.content import Grid
    >>> print(table_latex(Grid("Sizes", ("size_mm", "share"), (("1 & 2", "5%"),)), "Invented."))
    \begin{table}
    \caption{Sizes. Invented.}
    \begin{tabular}{ll}
    \toprule
    size\_mm & share \\
    \midrule
    1 \& 2 & 5\% \\
    \bottomrule
    \end{tabular}
    \end{table}
    <BLANKLINE>
    """
    long = [n > LINE for n in letters(grid.columns, grid.rows)]
    # without long cells each column is as wide as it needs; else the page is shared out
    if any(long):
        room = (f"p{{{0.9 * share:.3f}\\linewidth}}" for share in shares(grid.columns, grid.rows))
        layout = "".join(room)
    else:
        layout = "l" * len(grid.columns)
    styler = _framed(grid).style.hide(axis="index").format(escape="latex")
    text: str = styler.format_index(escape="latex", axis="columns").to_latex(
        caption=_escaped(f"{grid.caption}. {caution}"),
        hrules=True,
        environment="longtable" if len(grid.rows) > _LONG else None,
        column_format=layout,
    )
    # plain LaTeX has no sign for the typographic minus
    return text.replace("\N{MINUS SIGN}", "$-$")


def _frames(series: StudySeries) -> dict[str, pd.DataFrame]:
    """Tables of numbers by the name of their file."""
    found = dict(series.cohort.to_frames())
    for prefix, effects in (("effects", series.effects), ("drawn", series.drawn)):
        if effects is not None:
            found |= {f"{prefix}_{name}": frame for name, frame in effects.to_frames().items()}
    return found


def _framed(grid: Grid) -> pd.DataFrame:
    import pandas as pd  # heavy: only for tables

    return pd.DataFrame(list(grid.rows), columns=list(grid.columns))


def _escaped(text: str) -> str:
    import pandas as pd  # heavy: only for tables

    # pandas' own escape, which it applies to cells alone
    styler = pd.DataFrame([[text]]).style.hide(axis="index").hide(axis="columns").format(escape="latex")
    line: str = styler.to_latex().splitlines()[1]
    return line.removesuffix(" \\\\")


def _write(path: Path, text: str) -> Path:
    try:
        write_whole(path, text.encode("utf-8"))
    except OSError as error:
        raise RetreatError(_fault(path, error)) from None
    return path


def _fault(path: Path, error: OSError) -> Fault:
    return Fault(
        str(path), f"cannot be written ({error.strerror or error})", "a writable folder", "choose another"
    )
