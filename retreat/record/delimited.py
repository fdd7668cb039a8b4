"""The text of a CSV file, changed cell by cell: every other byte stays as it is."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from retreat.errors import Fault, TableError
from retreat.features import MISSING_CODES
from retreat.tables.column import Schema
from retreat.tables.files import separator_of

_BOM = "\ufeff"
_QUOTED = re.compile(r'"(?:[^"]|"")*"')
_LINE_END = re.compile(r"\r\n|\r|\n")


@dataclass(frozen=True)
class _Line:
    """Where the cells of a line lie in the text; where it ends, before its line end, and where the next begins."""

    cells: tuple[tuple[int, int], ...]
    end: int
    next: int


@dataclass(frozen=True)
class Delimited:
    """A CSV file as text with the places of its cells.

    Parameters
    ----------
    text : str
        All of it, a byte order mark included.
    separator : str
        Between cells.
    lines : tuple of _Line
        The header first, blank lines included.
    """

    text: str
    separator: str
    lines: tuple[_Line, ...]

    @classmethod
    def of(cls, path: Path, content: bytes, schema: Schema) -> Delimited:
        """Find the cells of a file that `raw_of_csv` reads.

        Parameters
        ----------
        path : Path
            Its name, for the fault.
        content : bytes
            UTF-8.
        schema : Schema
            `CASES` or `VISITS`.

        Raises
        ------
        TableError
            If cells lie elsewhere than the reader of tables finds them.
        """
        text = content.decode("utf-8")
        bare = text.removeprefix(_BOM)
        found = cls(text, separator_of(bare, schema), tuple(_lines(text, separator_of(bare, schema))))
        reader = csv.reader(io.StringIO(bare, newline=""), delimiter=found.separator, strict=True)
        if [found._values(line) for line in found.lines] != list(reader):
            what = "its cells cannot be told apart well enough to add to it"
            raise TableError(Fault(str(path), what, "a plain CSV file", "save it anew as CSV UTF-8"))
        return found

    def with_row(self, cells: Mapping[str, str]) -> bytes:
        """The file with one row more, below the last that is not blank.

        Parameters
        ----------
        cells : mapping of str to str
            By column; columns left out get not_recorded, those without a name a blank cell.

        Returns
        -------
        bytes
        """
        filled = [line for line in self.lines if "".join(self._values(line)).strip()]
        last, header = filled[-1], self.lines[0]
        values = [cells.get(name, MISSING_CODES[0] if name.strip() else "") for name in self._values(header)]
        is_quoted = all(self._is_quoted(cell) for cell in last.cells)
        row = self.separator.join(self._written(value, is_quoted) for value in values)
        line_end = self.text[header.end : header.next] or "\n"
        return (self.text[: last.end] + line_end + row + self.text[last.end :]).encode("utf-8")

    def with_cells(self, row: int, cells: Mapping[str, str]) -> bytes:
        """The file with other values in some cells of a row.

        Parameters
        ----------
        row : int
            As a spreadsheet counts: the header is row 1.
        cells : mapping of str to str
            By column, which the header must have.

        Returns
        -------
        bytes
        """
        header = self._values(self.lines[0])
        text = self.text
        places = {self.lines[row - 1].cells[header.index(name)]: value for name, value in cells.items()}
        # from the back, so that places further ahead stay where they are
        for start, end in sorted(places, reverse=True):
            written = self._written(places[start, end], self._is_quoted((start, end)))
            text = text[:start] + written + text[end:]
        return text.encode("utf-8")

    def _values(self, line: _Line) -> list[str]:
        found = [self.text[start:end] for start, end in line.cells]
        return [cell[1:-1].replace('""', '"') if cell[:1] == '"' else cell for cell in found]

    def _is_quoted(self, cell: tuple[int, int]) -> bool:
        return self.text[cell[0] : cell[0] + 1] == '"'

    def _written(self, value: str, is_quoted: bool) -> str:
        if is_quoted or any(mark in value for mark in (self.separator, '"', "\r", "\n")):
            return '"' + value.replace('"', '""') + '"'
        return value


def _lines(text: str, separator: str) -> Iterator[_Line]:
    bare = re.compile(rf"[^{re.escape(separator)}\r\n]*")
    place = len(text) - len(text.removeprefix(_BOM))
    while place < len(text):
        cells: list[tuple[int, int]] = []
        while _LINE_END.match(text, place) is None or cells:
            found = _QUOTED.match(text, place) or bare.match(text, place)
            end = place if found is None else found.end()
            cells.append((place, end))
            place = end
            if text[place : place + 1] != separator:
                break
            place += 1
        line_end = _LINE_END.match(text, place)
        yield _Line(tuple(cells), place, place if line_end is None else line_end.end())
        if line_end is None:
            return  # the end of the text, or a cell that only the reader of tables can judge
        place = line_end.end()
