"""A record moved between CSV files and an SQLite file, every cell as it is written."""

from __future__ import annotations

import csv
import io
import sqlite3
from contextlib import closing
from pathlib import Path

from retreat.errors import Fault, TableError
from retreat.journal import Replacement, replace_together
from retreat.record.entry import Tables
from retreat.record.judging import Judged
from retreat.record.text_files import locked
from retreat.tables.column import Schema
from retreat.tables.database import DATABASES, PATIENCE
from retreat.tables.files import RawTable, raw_of_lines, read_begun
from retreat.tables.schema import CASES, VISITS

_TEXT = (".csv", ".tsv", ".xlsx", *DATABASES)
# endings of files, none of which is a folder by intent
_OTHER_FILES = (
    ".csv",
    ".tsv",
    ".txt",
    ".xlsx",
    ".xls",
    ".ods",
    ".parquet",
    ".json",
    ".html",
    ".retreat",
    ".toml",
)


def keep(target: str | Path, cases: str | Path, visits: str | Path | None = None) -> tuple[Path, ...]:
    """Write a sound record anew, as an SQLite file or as two CSV files.

    Parameters
    ----------
    target : str or Path
        A new file ending in .sqlite, .sqlite3 or .db; otherwise a folder, made if it is not there, for `cases.csv` and
        `visits.csv`.
    cases : str or Path
        Table of cases: CSV, Excel or SQLite. It may have no rows yet.
    visits : str or Path, optional
        Table of visits. By default the one in the SQLite file of the cases, else a table without rows.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    TableError
        If the tables have a fault, a file to be written exists already, or cannot be written; then none is.

    Examples
    --------
    >>> import tempfile
    >>> from retreat.tables import write_templates
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = write_templates(folder)
    >>> [path.name for path in keep(folder / "clinic.sqlite", folder / "cases_template.csv")]
    ['clinic.sqlite']
    >>> [path.name for path in keep(folder / "tables", folder / "clinic.sqlite")]
    ['cases.csv', 'visits.csv']
    """
    target, cases = Path(target), Path(cases)
    if visits is None and cases.suffix.lower() in DATABASES:
        visits = cases
    _check_target(target)
    tables = Tables(_read(cases, CASES), _begun() if visits is None else _read(Path(visits), VISITS))
    _check_told(tables, given=visits is not None)
    faults = Judged.of(tables).faults()
    if faults:
        raise TableError(faults)
    if target.suffix.lower() in DATABASES:
        contents = {target: _database_of(tables)}
    else:
        contents = {
            target / "cases.csv": _csv_of(tables.cases),
            target / "visits.csv": _csv_of(tables.visits),
        }
    folder = next(iter(contents)).parent
    _make_folder(folder)
    with locked(folder, PATIENCE):
        there = [path for path in contents if path.exists()]
        if there:
            raise TableError(Fault(str(p), "the file exists", "a new file", "choose another") for p in there)
        # the copy lies no more open than the tables it was made from
        replace_together(Replacement(path, None, content, like=cases) for path, content in contents.items())
    return tuple(contents)


def _check_target(target: Path) -> None:
    """Refuse a file of a kind that is not written: it would be made a folder of that name."""
    if target.suffix.lower() in _OTHER_FILES and not target.is_dir():
        what = f"no record is kept in a file ending in {target.suffix}"
        allowed = f"a file ending in {', '.join(DATABASES)}, or a folder for two CSV files"
        raise TableError(Fault(str(target), what, allowed, "choose another name"))


def _check_told(tables: Tables, *, given: bool) -> None:
    """Refuse cases with sessions where no table of visits was given: each of them would be a fault."""
    if given or "sessions" not in tables.cases.header:
        return
    sessions = tables.cases.columns[tables.cases.header.index("sessions")].tolist()
    n = sum(text not in ("", "0") for text in sessions)
    if n:
        what = f"no table of visits is given, and {n} cases have had sessions"
        raise TableError(Fault("visits", what, "the table of their visits", "give it too"))


def _read(path: Path, schema: Schema) -> RawTable:
    if path.suffix.lower() not in _TEXT:
        what = f"the cells of a file ending in {path.suffix or 'nothing'} are not text"
        raise TableError(Fault(str(path), what, ", ".join(_TEXT), "save it as CSV UTF-8"))
    return read_begun(path, schema)


def _begun() -> RawTable:
    """A table of visits without rows."""
    return raw_of_lines([column.name for column in VISITS], [])


def _lines(table: RawTable) -> list[tuple[str, ...]]:
    return list(zip(*(column.tolist() for column in table.columns), strict=True))


def _csv_of(table: RawTable) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(table.header)
    writer.writerows(_lines(table))
    return text.getvalue().encode("utf-8")


def _database_of(tables: Tables) -> bytes:
    """An SQLite file that holds both tables, cells as text: missing codes stand beside numbers."""
    with closing(sqlite3.connect(":memory:")) as database:
        for name, table in (("cases", tables.cases), ("visits", tables.visits)):
            key = {"case": "PRIMARY KEY"} if name == "cases" else {}
            columns = ", ".join(f'"{column}" TEXT NOT NULL {key.get(column, "")}' for column in table.header)
            database.execute(f"CREATE TABLE {name} ({columns})")
            marks = ", ".join("?" for _ in table.header)
            database.executemany(f"INSERT INTO {name} VALUES ({marks})", _lines(table))  # noqa: S608 - our names
        database.commit()
        return database.serialize()


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        what = f"the folder cannot be made ({error.strerror or error})"
        raise TableError(Fault(str(folder), what, "", "choose another place")) from None
