"""One page of words, tables and pictures as Markdown, HTML and Word; the same content gives the same bytes."""

from __future__ import annotations

import base64
import io
import re
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from retreat.pages.column_widths import shares
from retreat.pages.html import render, write_page
from retreat.study.in_hand.content import Content, Grid, Passage, Picture

if TYPE_CHECKING:
    from docx.document import Document as WordDocument

# what Markdown would read as its own signs at the places where words stand here
_MARKDOWN = re.compile(r"([\\`*_<>|\[\]])")
_LINE_START = re.compile(r"^(\s*)([#+-]|\d+\.)(\s)")


# between the margins of an A4 page
_TEXT_CM = 17.4


@dataclass(frozen=True)
class Document:
    """A page ready to be written.

    Parameters
    ----------
    content : Content
        What it says.

    Examples
    --------
    >>> page = Document(Content("Facts", ("Invented.",), (Passage("Whom", ("9 eyes",)),)))
    >>> print(page.to_markdown())
    # Facts
    <BLANKLINE>
    **Invented.**
    <BLANKLINE>
    ## Whom
    <BLANKLINE>
    9 eyes
    <BLANKLINE>
    """

    content: Content

    def to_markdown(self) -> str:
        """Markdown (GitHub's tables); pictures are named by their files, see :meth:`write_pictures`."""
        page = self.content
        blocks = [f"# {_plain(page.title)}", *(f"**{_plain(line)}**" for line in page.cautions)]
        for passage in page.passages:
            blocks += _markdown_passage(passage)
        return "\n\n".join(blocks) + "\n"

    def to_html(self) -> str:
        """One self-contained HTML page: no script, nothing fetched."""
        return render("document.html", page=self.content, uri=_uri)

    def write_docx(self, path: str | Path) -> Path:
        """Write the page as a Word file, whole or not at all.

        Parameters
        ----------
        path : str or Path
            File to write, by custom ending in ``.docx``; an older one is replaced.

        Raises
        ------
        RetreatError
            If it cannot be written.
        """
        return _write(_same_dates(_word(self.content)), path)

    def write_html(self, path: str | Path) -> Path:
        """Write the HTML page, whole or not at all; RetreatError if it cannot be written."""
        return write_page(self.to_html(), path)

    def write_markdown(self, path: str | Path) -> Path:
        """Write the Markdown and, beside it, the pictures it names; RetreatError if one cannot be written."""
        self.write_pictures(Path(path).parent)
        return write_page(self.to_markdown(), path)

    def write_pictures(self, folder: str | Path) -> tuple[Path, ...]:
        """Write each picture as SVG and PNG into a folder; RetreatError if one cannot be written."""
        pictures = [one for passage in self.content.passages for one in passage.pictures]
        return tuple(
            _write(data, Path(folder) / f"{one.name}.{kind}")
            for one in pictures
            for kind, data in (("svg", one.svg), ("png", one.png))
        )


def _write(payload: bytes, path: str | Path) -> Path:
    from retreat.errors import Fault, RetreatError
    from retreat.files import write_whole

    target = Path(path)
    try:
        write_whole(target, payload)
    except OSError as error:
        what = f"cannot be written ({error.strerror or error})"
        raise RetreatError(Fault(str(target), what, "a writable folder", "choose another")) from None
    return target


def _markdown_passage(passage: Passage) -> list[str]:
    blocks = [f"## {_plain(passage.heading)}", *(_plain(text) for text in passage.paragraphs)]
    if passage.points:
        blocks.append("\n".join(f"- {_plain(point)}" for point in passage.points))
    if passage.lines:
        blocks.append("\n".join(("```", *passage.lines, "```")))
    blocks += [_markdown_grid(grid) for grid in passage.grids]
    blocks += [f"![{_plain(one.alt)}]({one.name}.svg)" for one in passage.pictures]
    return blocks


def _markdown_grid(grid: Grid) -> str:
    rows = [" | ".join(_plain(cell) for cell in row) for row in (grid.columns, *grid.rows)]
    ruler = " | ".join("---" for _ in grid.columns)
    table = "\n".join(f"| {row} |" for row in (rows[0], ruler, *rows[1:]))
    return f"{_plain(grid.caption)}\n\n{table}"


def _plain(text: str) -> str:
    """Words that Markdown shows as they are, on one line."""
    escaped = _MARKDOWN.sub(r"\\\1", " ".join(text.split()))
    return _LINE_START.sub(r"\1\\\2\3", escaped)


def _uri(picture: Picture) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(picture.svg).decode()


def _word(page: Content) -> bytes:
    import docx  # heavy: only a Word file pays for it
    from docx.shared import Cm, Pt

    file = docx.Document()
    section = file.sections[0]
    section.page_width, section.page_height = Cm(21.0), Cm(29.7)
    section.left_margin = section.right_margin = Cm(1.8)
    section.top_margin = section.bottom_margin = Cm(1.6)
    file.styles["Normal"].font.size = Pt(10)
    file.core_properties.title = page.title
    file.core_properties.author = "retreat"
    file.core_properties.comments = ""
    file.add_heading(page.title, 1)
    for line in page.cautions:
        file.add_paragraph().add_run(line).bold = True
    for passage in page.passages:
        _word_passage(file, passage)
    stream = io.BytesIO()
    file.save(stream)
    return stream.getvalue()


def _word_passage(file: WordDocument, passage: Passage) -> None:
    from docx.shared import Cm, Pt

    file.add_heading(passage.heading, 2)
    for text in passage.paragraphs:
        file.add_paragraph(_printable(text))
    for point in passage.points:
        file.add_paragraph(_printable(point), style="List Bullet")
    if passage.lines:
        run: Any = file.add_paragraph().add_run(_printable("\n".join(passage.lines)))
        run.font.name, run.font.size = "Courier New", Pt(8)
    for grid in passage.grids:
        file.add_paragraph(_printable(grid.caption), style="Caption")
        table = file.add_table(rows=len(grid.rows) + 1, cols=len(grid.columns), style="Table Grid")
        table.autofit = False
        for column, share in zip(table.columns, shares(grid.columns, grid.rows), strict=True):
            column.width = Cm(_TEXT_CM * share)
        _repeated(table.rows[0])
        for place, (line, row) in enumerate(zip(table.rows, (grid.columns, *grid.rows), strict=True)):
            for cell, column, text in zip(line.cells, table.columns, row, strict=True):
                cell.width = column.width  # some readers take the cell's, some the column's
                shown = cell.paragraphs[0].add_run(_printable(text))
                shown.font.size, shown.bold = Pt(9), place == 0
    for one in passage.pictures:
        file.add_picture(io.BytesIO(one.png), width=Cm(16.5))
        # the words for a reader who cannot see the picture
        file.inline_shapes[-1]._inline.docPr.set("descr", _printable(one.alt))


def _repeated(row: Any) -> None:
    """Have the row stand at the top of every page that its table runs over."""
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn

    mark = OxmlElement("w:tblHeader")
    mark.set(qn("w:val"), "true")
    row._tr.get_or_add_trPr().append(mark)


def _printable(text: str) -> str:
    """Without the control signs that XML does not allow."""
    return "".join(sign for sign in text if sign.isprintable() or sign in "\n\t")


def _same_dates(payload: bytes) -> bytes:
    """The same archive with one fixed date: the clock of the machine would change its bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(payload)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            entry = zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(entry, old.read(name))
    return out.getvalue()
