"""A folder with all of a case series: page, Word file, tables, figures, coefficients and every number."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from retreat.errors import Fault, RetreatError
from retreat.own_folder import SUMS, place
from retreat.pages.column_widths import LINE, letters, shares
from retreat.pages.document import Document
from retreat.pages.study import Chapter, all_grids, render_study, study_chapters, study_content
from retreat.pages.study_guide import GUIDE, guide_text, of_frame
from retreat.study.entries_in_place import COEFFICIENTS, MODEL
from retreat.study.given_answers import ANSWERS, open_answers
from retreat.study.series import MODEL_FILE

if TYPE_CHECKING:
    import pandas as pd

    from retreat.study.in_hand.content import Grid
    from retreat.study.series import StudySeries

# a row of a longer table does not fit beside its head on a sheet
_LONG = 40
_LIFE_TABLES = "studied_life_table"
_ABOUT = (
    "What a program, or a person with a pocket calculator, needs for a forecast before the first session, without this "
    "package. by_hand says it in plain algebra: code the features of an eye into x1, x2, ..., multiply each by the "
    "coefficient of an end (coefficients: one list an end, in the order of columns), add the effect of the session "
    "(session_effects: the first is that of session 1; for sessions past the last see after_the_last_session) to get L "
    "of that end, and the rule gives the hazard h: the chance that the course ends so at that session, of those in "
    "treatment before it. check is one made-up eye to hold a program against. What it leaves out stands in left_out."
)


def write_study(series: StudySeries, folder: str | Path) -> tuple[Path, ...]:
    """Write page, Word file, JSON, tables, figures and coefficients; the same series gives the same bytes.

    Parameters
    ----------
    series : StudySeries
        From :func:`retreat.study.study_series`.
    folder : str or Path
        Folder, new or empty or written by an earlier call and unchanged since: then files that this series does not
        have are removed.

    Returns
    -------
    tuple of Path
        `study.html`, `study.docx`, `study.json`, and `README.txt` which says what each file is; `answers.toml` with
        the open questions of the form; `model/coefficients.json`, and `model/model.retreat` where the tables hide no
        count; in `tables` each table of numbers as CSV, with the cautions in a text beside them, and each table of the
        page as HTML and LaTeX (package booktabs, and longtable for long ones); in `figures` each picture as SVG and
        PNG; last `study.sha256` with the checksums.

    Raises
    ------
    RetreatError
        If the folder holds other or changed files, or something cannot be written.
    """
    return place(Path(folder), study_files(series))


def study_files(series: StudySeries) -> dict[str, bytes]:
    """Every file of the folder by name but the checksums, the guide to them among them."""
    chapters = study_chapters(series)
    document = Document(study_content(series, chapters))
    files: dict[str, tuple[str, bytes]] = {
        "study.html": ("the page: begin here", render_study(series, chapters).encode("utf-8")),
        "study.docx": ("the same page for Word", _written(document.write_docx, "study.docx")),
        "study.json": ("every number of the page, null where hidden or not known", _json(series.to_json())),
    }
    if questions := open_answers(series.form):
        what = "questions of the form to answer: copy it out of this folder, fill it, give it to --answers"
        files[ANSWERS] = (what, questions.encode("utf-8"))
    files |= _model_files(series)
    # a table of numbers has no place for words
    cautions = "\n".join((*series.cautions, series.cohort.rule)) + "\n"
    files["tables/cautions.txt"] = ("what holds for every table beside it", cautions.encode("utf-8"))
    for name, frame in _frames(series).items():
        text = frame.to_csv(index=False, lineterminator="\n")
        files[f"tables/{name}.csv"] = (of_frame(name), text.encode("utf-8"))
    banner = " ".join(series.cautions)
    for name, grid in named_grids(chapters).items():
        for ending, kind, made in (("html", "HTML", table_html), ("tex", "LaTeX", table_latex)):
            files[f"tables/{name}.{ending}"] = (f"{grid.caption}; {kind}", made(grid, banner).encode("utf-8"))
    for picture in (one for passage in document.content.passages for one in passage.pictures):
        # what a picture shows; what can be read off it stands in the tables
        shows = picture.alt.split(". ")[0].split(";")[0].rstrip(".")
        files[f"figures/{picture.name}.svg"] = (f"{shows}; drawing", picture.svg)
        files[f"figures/{picture.name}.png"] = (f"{shows}; pixels", picture.png)
    told = {GUIDE: "this guide", **{name: what for name, (what, _) in files.items()}}
    told[SUMS] = "checksums: the next run writes over this folder only where no file was changed"
    guide = guide_text(series, told)
    return {**{name: content for name, (_, content) in files.items()}, GUIDE: guide.encode("utf-8")}


def named_grids(chapters: tuple[Chapter, ...]) -> dict[str, Grid]:
    """Every table of the page by the name of its file; a life table is named by its kind.

    Parameters
    ----------
    chapters : tuple of Chapter
        From :func:`retreat.pages.study.study_chapters`.
    """
    found: dict[str, Grid] = {}
    for name, grid in all_grids(chapters).items():
        words = "".join(c if c.isalnum() else " " for c in grid.caption.lower())
        by_kind = "_".join(words.split())
        found[by_kind if name.startswith(_LIFE_TABLES) and by_kind not in found else name] = grid
    return found


def _model_files(series: StudySeries) -> dict[str, tuple[str, bytes]]:
    from retreat.study.in_hand.coefficients import coefficients_json

    files: dict[str, tuple[str, bytes]] = {}
    if series.equation is not None:
        told = coefficients_json(series.model, series.equation)
        about = {"cautions": told.pop("cautions"), "about": _ABOUT, "by_hand": list(series.equation.plain)}
        what = "coefficient file: terms, coding, coefficients and session effects, and how to work with them"
        files[COEFFICIENTS] = (what, _json({**about, **told}))
    if MODEL_FILE not in series.refused:
        what = "the model itself, for retreat forecast and retreat sheet"
        files[MODEL] = (what, _written(series.model.save, "model.retreat"))
    return files


def _json(told: object) -> bytes:
    return (json.dumps(told, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode("utf-8")


def _written(write: Callable[[Path], Path], name: str) -> bytes:
    """Content of a file that only a path can be given for."""
    try:
        with TemporaryDirectory() as beside:
            return write(Path(beside) / name).read_bytes()
    except OSError as error:
        what = f"cannot be made ({error.strerror or error})"
        raise RetreatError(Fault(name, what, "room for temporary files")) from None


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
