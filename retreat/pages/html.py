"""Pages as single HTML files: no script, nothing fetched, written whole or not at all."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from retreat.errors import Fault, RetreatError
from retreat.files import write_whole
from retreat.pages import course_figures, course_words, figures, words
from retreat.pages.record import Sheet


def render_sheet(sheet: Sheet) -> str:
    """Sheet as one self-contained HTML page that prints on one A4 or Letter page.

    Parameters
    ----------
    sheet : Sheet
        From `build_sheet`.

    Returns
    -------
    str
        The page.
    """
    lines = [(name, figures.key_figure(mark), counts) for mark, name, counts in sheet.table]
    return render(
        "sheet.html",
        sheet=sheet,
        words=words,
        course_words=course_words,
        array=figures.array(sheet.states),
        lines=lines,
        bar=course_figures.bar,
    )


def render(template: str, **facts: Any) -> str:
    """One of the package's templates filled in; every text is escaped."""
    return _templates().get_template(template).render(facts)


def write_page(text: str, path: str | Path) -> Path:
    """Write a page as UTF-8, atomically.

    Parameters
    ----------
    text : str
        The page.
    path : str or Path
        File to write; an older one is replaced.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    RetreatError
        If the file cannot be written; an older one is then left as it was, and no part of the new one.
    """
    target = Path(path)
    try:
        write_whole(target, text.encode("utf-8"))
    except OSError as error:
        raise RetreatError(_cannot_write(target, error)) from None
    return target


@cache
def _templates() -> Environment:
    return Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )


def _cannot_write(target: Path, error: OSError) -> Fault:
    return Fault(
        str(target), f"cannot be written ({error.strerror or error})", "a writable folder", "choose another"
    )
