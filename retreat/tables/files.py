"""Files of tables read as they stand: text cells, the header untouched, the row numbers of a spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from zipfile import BadZipFile

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from retreat.errors import Fault, TableError
from retreat.journal import read_settled
from retreat.tables.column import Schema
from retreat.tables.database import DATABASES, read_database
from retreat.tables.schema import name_of

FIRST_ROW = 2  # the header is row 1
_SAVE_AS = "save it as CSV UTF-8"


@dataclass(frozen=True)
class RawTable:
    """A table before any checking.

    Parameters
    ----------
    header : tuple of str
        Names as in the file, doubled ones included.
    columns : tuple of Series
        One a name; text, or the types of a Parquet file.
    rows : ndarray of int, shape (rows,)
        Row of the spreadsheet.
    faults : tuple of Fault
        Rows that could not be split into cells; they are left out of `columns`.
    """

    header: tuple[str, ...]
    columns: tuple[pd.Series, ...]
    rows: NDArray[np.int64]
    faults: tuple[Fault, ...] = field(default=())


def read_raw(path: str | Path, schema: Schema) -> RawTable:
    """The table in a CSV, Parquet, Excel or SQLite file.

    Parameters
    ----------
    path : str or Path
        Ending in .csv, .tsv, .parquet, .xlsx, .sqlite, .sqlite3 or .db.
    schema : Schema
        `CASES` or `VISITS`: tells the separator of a CSV file, the sheet of a workbook, the table of a database.

    Returns
    -------
    RawTable

    Raises
    ------
    TableError
        If the file is missing, empty, of another kind, wrongly encoded or damaged, or has no rows.
    """
    raw = read_begun(path, schema)
    if not len(raw.rows) and not raw.faults:
        raise _refused(Path(path), "there is a header but no row below it", "write one row a case or visit")
    return raw


def read_begun(path: str | Path, schema: Schema) -> RawTable:
    """The table in a file, as `read_raw`, though it may be one that has been begun and has no row yet.

    Parameters
    ----------
    path : str or Path
        As for `read_raw`.
    schema : Schema
        `CASES` or `VISITS`.

    Returns
    -------
    RawTable

    Raises
    ------
    TableError
        If the file is missing, empty, of another kind, wrongly encoded or damaged.
    """
    path = Path(path)
    if path.suffix.lower() in DATABASES:
        return raw_of_lines(*read_database(path, name_of(schema)))
    readers = {".csv": raw_of_csv, ".tsv": raw_of_csv, ".parquet": _read_parquet, ".xlsx": _read_excel}
    reader = readers.get(path.suffix.lower())
    if reader is None:
        raise _refused(path, f"files ending in {path.suffix or 'nothing'} are not read", _SAVE_AS)
    try:
        content = read_settled(path)
    except FileNotFoundError:
        raise _refused(path, "there is no such file", "check the path") from None
    except OSError as error:
        raise _refused(
            path, f"the file cannot be read ({error.strerror})", "check the path and its rights"
        ) from None
    if not content.strip():
        raise _refused(path, "the file is empty", "write a header and one row a case or visit")
    return reader(path, content, schema)


def _refused(path: Path, what: str, fix: str) -> TableError:
    allowed = "CSV UTF-8 (.csv, .tsv), Parquet (.parquet), Excel (.xlsx), SQLite (.sqlite, .sqlite3, .db)"
    return TableError(Fault(str(path), what, allowed, fix))


def raw_of_lines(header: Sequence[str], lines: Sequence[Sequence[str]]) -> RawTable:
    """A table of text cells that is no file; its first line counts as row 2, as if it stood below a header.

    Parameters
    ----------
    header : sequence of str
        Names of the columns.
    lines : sequence of sequence of str
        As many cells each.

    Returns
    -------
    RawTable
    """
    cells = zip(*lines, strict=True) if lines else ([] for _ in header)
    series = tuple(pd.Series(list(column), dtype="str") for column in cells)
    rows = np.arange(FIRST_ROW, FIRST_ROW + len(lines), dtype=np.int64)
    return RawTable(tuple(header), series, rows)


def raw_of_csv(path: Path, content: bytes, schema: Schema) -> RawTable:
    """The table in the content of a CSV file.

    Parameters
    ----------
    path : Path
        Its name, for the faults.
    content : bytes
        UTF-8, with or without a byte order mark.
    schema : Schema
        `CASES` or `VISITS`.

    Returns
    -------
    RawTable

    Raises
    ------
    TableError
        If it is wrongly encoded or cannot be split into lines and cells.
    """
    text = _decoded(path, content)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator_of(text, schema), strict=True)
    try:
        lines = list(reader)
    except csv.Error as error:
        what = f"line {reader.line_num} cannot be split into cells ({error})"
        raise _refused(path, what, "look for an unclosed quotation mark") from None
    return _from_lines(path, lines)


def _decoded(path: Path, content: bytes) -> str:
    if content.startswith((b"PK\x03\x04", b"PAR1", b"\xd0\xcf\x11\xe0")):
        raise _refused(
            path, "this is a workbook or Parquet file under another name", f"rename it or {_SAVE_AS}"
        )
    if content.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\x00" in content:
        raise _refused(path, "the text is in UTF-16 or not text at all, not in UTF-8", _SAVE_AS)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = content[: error.start]
        line, place = before.count(b"\n") + 1, error.start - (before.rfind(b"\n") + 1) + 1
        what = f"byte {content[error.start]:#04x} (line {line}, place {place}) is not UTF-8"
        raise _refused(path, what, f"{_SAVE_AS} ('CSV UTF-8' in the list of file types)") from None


def separator_of(text: str, schema: Schema) -> str:
    """The separator under which the first line names most columns; a comma where none names any."""
    first = text.lstrip("\r\n").split("\n", 1)[0]
    names = {column.name for column in schema}

    def n_known(separator: str) -> int:
        return len(names & {name.strip('" \r').lower() for name in first.split(separator)})

    return max(",;\t", key=n_known)


def _from_lines(path: Path, lines: list[list[str]]) -> RawTable:
    """Rows of text split into columns; rows of another length become faults."""
    while lines and not any(cell.strip() for cell in lines[-1]):
        lines.pop()
    if not lines or not any(cell.strip() for cell in lines[0]):
        raise _refused(path, "the first row is blank", "write the names of the columns in row 1")
    header = lines[0]
    width = len(header)
    # spreadsheets like to write empty cells behind the last column
    while not header[width - 1].strip() and not any(
        any(c.strip() for c in line[width - 1 :]) for line in lines
    ):
        width -= 1
    good: list[list[str]] = []
    rows: list[int] = []
    faults: list[Fault] = []
    for row, line in enumerate(lines[1:], start=FIRST_ROW):
        blank = not "".join(line).strip()
        if blank or len(line) < width or any(cell.strip() for cell in line[width:]):
            faults.append(_ragged(path, row, line, width))
        else:
            good.append(line[:width])
            rows.append(row)
    columns = zip(*good, strict=True) if good else ([] for _ in range(width))
    series = tuple(pd.Series(list(cells), dtype="str") for cells in columns)
    return RawTable(tuple(header[:width]), series, np.array(rows, dtype=np.int64), tuple(faults))


def _ragged(path: Path, row: int, line: list[str], width: int) -> Fault:
    if not "".join(line).strip():
        return Fault(str(path), "the row is blank", f"{width} cells", "delete the row", row=row)
    fix = "give it one cell a column; a comma inside a cell (2,5) splits it"
    return Fault(str(path), f"the row has {len(line)} cells", f"{width} cells, as the header", fix, row=row)


def _read_excel(path: Path, content: bytes, schema: Schema) -> RawTable:
    try:
        with pd.ExcelFile(io.BytesIO(content), engine="openpyxl") as book:
            sheets = [str(sheet) for sheet in book.sheet_names]
            sheet = name_of(schema) if name_of(schema) in sheets else sheets[0]
            if len(sheets) > 1 and sheet != name_of(schema):
                what = f"the workbook has {len(sheets)} sheets, none named {name_of(schema)}"
                raise _refused(path, what, f"name the sheet {name_of(schema)}")
            cells = pd.read_excel(book, sheet_name=sheet, header=None, dtype=str, na_filter=False)
    except (BadZipFile, KeyError, OSError, ValueError) as error:
        if isinstance(error, TableError):
            raise
        raise _refused(
            path, f"the workbook cannot be opened ({error})", f"save it anew, or {_SAVE_AS}"
        ) from None
    # a date cell arrives with the time of midnight behind it
    lines = [[str(cell).removesuffix(" 00:00:00") for cell in line] for line in cells.to_numpy()]
    return _from_lines(path, lines)


def _read_parquet(path: Path, content: bytes, schema: Schema) -> RawTable:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        table = pq.ParquetFile(pa.BufferReader(content)).read()
    except (pa.ArrowException, OSError) as error:
        reason = str(error).splitlines()[0]
        raise _refused(path, f"the Parquet file cannot be opened ({reason})", "write it anew") from None
    series = tuple(table.column(i).to_pandas().rename(None) for i in range(table.num_columns))
    rows = np.arange(FIRST_ROW, FIRST_ROW + table.num_rows, dtype=np.int64)
    return RawTable(tuple(table.column_names), series, rows)
