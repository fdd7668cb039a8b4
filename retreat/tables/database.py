"""A clinic's tables in an SQLite file, through SQLAlchemy: one file holds the tables `cases` and `visits`."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from retreat.errors import Fault, TableError

if TYPE_CHECKING:
    from sqlalchemy import Connection, TableClause

DATABASES = (".sqlite", ".sqlite3", ".db")
PATIENCE = 10.0  # seconds to wait for another program that writes
_SIGNATURE = b"SQLite format 3\x00"
_KEEP = "make one with retreat keep"


def read_database(path: Path, name: str) -> tuple[tuple[str, ...], list[list[str]]]:
    """Header and lines of a table, every cell as the text that would stand in a CSV file.

    Parameters
    ----------
    path : Path
        The SQLite file.
    name : str
        The table: `cases` or `visits`.

    Returns
    -------
    header : tuple of str
    lines : list of list of str
        In the order in which they were added.

    Raises
    ------
    TableError
        If the file is missing, no SQLite file, damaged, locked for longer than 10 s or without that table.
    """
    with transaction(path, "BEGIN") as connection:
        return lines_of(connection, table_of(connection, path, name))


def has_rows(path: Path, name: str) -> bool:
    """Whether a file holds a table of this name with at least one row.

    Raises
    ------
    TableError
        If the file is missing, no SQLite file, damaged or locked for longer than 10 s.
    """
    from sqlalchemy import inspect, literal_column, select, table

    with transaction(path, "BEGIN") as connection:
        if not inspect(connection).has_table(name):
            return False
        found: object = connection.execute(
            select(literal_column("1")).select_from(table(name)).limit(1)
        ).first()
        return found is not None


@contextmanager
def transaction(path: Path, begin: str, patience: float = PATIENCE) -> Iterator[Connection]:
    """A transaction in an SQLite file: committed at the end, or rolled back whole.

    Parameters
    ----------
    path : Path
        The file; it is never made here.
    begin : {"BEGIN", "BEGIN IMMEDIATE"}
        To read, or to write: the second keeps other writers out from the first moment.
    patience : float
        Seconds to wait for another program that writes.

    Yields
    ------
    Connection

    Raises
    ------
    TableError
        If the file is missing, no SQLite file, damaged, or locked for longer.
    """
    # SQLAlchemy is needed by clinics that keep SQLite alone
    import sqlite3

    from sqlalchemy import NullPool, create_engine, event
    from sqlalchemy.exc import DatabaseError

    _refuse_other_files(path)
    place = f"{path.resolve().as_uri()}?mode=rw"  # an absent file is not made
    engine = create_engine(
        "sqlite://",
        # the driver must not begin transactions by itself: it would do so too late, at the first change
        creator=lambda: sqlite3.connect(place, uri=True, timeout=patience, isolation_level=None),
        poolclass=NullPool,
    )
    event.listen(engine, "begin", lambda connection: connection.exec_driver_sql(begin))
    try:
        with engine.begin() as connection:
            yield connection
    except DatabaseError as error:
        raise _told(path, error.orig, patience) from None


def table_of(connection: Connection, path: Path, name: str) -> TableClause:
    """A table with the columns it has in the file, untyped: a declared type would refuse words such as unknown.

    Raises
    ------
    TableError
        If the file has no such table.
    """
    from sqlalchemy import column, inspect, table
    from sqlalchemy.exc import NoSuchTableError

    try:
        columns = inspect(connection).get_columns(name)
    except NoSuchTableError:
        what = f"the file has no table {name}"
        raise TableError(Fault(str(path), what, "the tables cases and visits", _KEEP)) from None
    return table(name, *(column(one["name"]) for one in columns))


def lines_of(connection: Connection, table: TableClause) -> tuple[tuple[str, ...], list[list[str]]]:
    """Header and lines of a table, as `read_database`."""
    from sqlalchemy import select, text

    found = connection.execute(select(table).order_by(text("rowid")))
    return tuple(table.columns.keys()), [[_cell(value) for value in row] for row in found]


def _cell(value: object) -> str:
    """A stored value as the text that would stand in a CSV file; NULL is a blank cell, which no column allows."""
    if value is None:
        return ""
    return repr(value).removesuffix(".0") if isinstance(value, float) else str(value)


def _refuse_other_files(path: Path) -> None:
    try:
        with path.open("rb") as stream:
            head = stream.read(len(_SIGNATURE))
    except FileNotFoundError:
        raise TableError(
            Fault(str(path), "there is no such file", "an SQLite file", "check the path")
        ) from None
    except OSError as error:
        what = f"the file cannot be read ({error.strerror})"
        raise TableError(Fault(str(path), what, "an SQLite file", "check the path and its rights")) from None
    if head != _SIGNATURE:
        raise TableError(Fault(str(path), "this is no SQLite file", "an SQLite file", _KEEP))


def _told(path: Path, error: BaseException | None, patience: float) -> TableError:
    """The error of the driver in the words of this package; values are never repeated."""
    what = str(error)
    if "locked" in what or "busy" in what:
        what = f"another program has been writing to the file for {patience:g} s"
        return TableError(Fault(str(path), what, "one writer at a time", "wait for it, then try again"))
    return TableError(Fault(str(path), f"SQLite refuses: {what}", "", "look at the file, or restore a copy"))
