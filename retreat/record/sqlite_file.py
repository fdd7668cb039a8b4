"""The record kept in one SQLite file: each entry is one transaction, and a backup of the file lies beside it.

`clinic.sqlite.bak` is the file before the last logged visit. The note by which that visit can be taken back is a row of
the table `retreat_last_log`.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from retreat.errors import Fault, TableError
from retreat.journal import checksum, write_like
from retreat.record.entry import Entry, LoggedVisit, Tables
from retreat.record.last import changed_since, last_log, read_last_log
from retreat.tables.database import lines_of, table_of, transaction
from retreat.tables.files import RawTable, raw_of_lines

if TYPE_CHECKING:
    from sqlalchemy import Connection, TableClause

_NOTE = "retreat_last_log"


class SQLiteRecord:
    """The two tables of an SQLite file within a transaction that keeps other writers out.

    Parameters
    ----------
    connection : Connection
        In the transaction.
    path : Path
        The file.

    Raises
    ------
    TableError
        If one of the tables is missing.
    """

    def __init__(self, connection: Connection, path: Path) -> None:
        self._connection, self._path = connection, path
        self._cases, self._visits = (table_of(connection, path, name) for name in ("cases", "visits"))
        self._backup = _image(path)
        self._checksum = checksum_of(self.read())
        self._undo: dict[str, object] = {}

    def read(self) -> Tables:
        """The tables as they will be."""
        return Tables(self._lines(self._cases), self._lines(self._visits))

    def write(self, entry: Entry) -> None:
        """Add an entry; it lasts once the transaction ends without an error."""
        from sqlalchemy import text

        self._connection.execute(self._visits.insert().values(entry.visit))
        row = self._connection.scalar(text("SELECT last_insert_rowid()"))
        case = entry.visit["case"]
        self._update(case, entry.after)
        self._undo = {"visit": row, "cells": entry.before}

    def commit(self, logged: LoggedVisit) -> None:
        """Write the backup, and the note on the visit."""
        after = checksum_of(self.read())
        note = last_log(logged, **self._undo, before=self._checksum, after=after)
        self._note(note)
        backup = self._path.with_name(f"{self._path.name}.bak")
        beside = self._path.with_name(f".{backup.name}.staged")
        try:
            write_like(beside, self._backup, self._path)
            beside.replace(backup)
        except OSError as error:
            what = f"the backup cannot be written ({error.strerror or error}); nothing was logged"
            raise TableError(Fault(str(backup), what, "a folder you may write to")) from None

    def take_back(self) -> LoggedVisit:
        """Take the last logged visit out of both tables."""
        from sqlalchemy import text

        logged, note = read_last_log(str(self._path), self._noted())
        if note["after"] != self._checksum:
            raise changed_since(str(self._path))
        number = {"number": note["visit"]}
        self._connection.execute(text("DELETE FROM visits WHERE rowid = :number"), number)
        self._update(logged.case, note["cells"])
        # a file that was packed anew may have numbered its rows anew
        if checksum_of(self.read()) != note["before"]:
            raise changed_since(str(self._path))
        self._note(None)
        return logged

    def _lines(self, table: TableClause) -> RawTable:
        return raw_of_lines(*lines_of(self._connection, table))

    def _update(self, case: str, cells: dict[str, str]) -> None:
        if cells:
            found = self._cases.columns["case"] == case
            self._connection.execute(self._cases.update().where(found).values(cells))

    def _noted(self) -> str | None:
        from sqlalchemy import inspect, text

        if not inspect(self._connection).has_table(_NOTE):
            return None
        found = self._connection.scalar(text(f"SELECT note FROM {_NOTE}"))  # noqa: S608 - a name of our own
        return None if found is None else str(found)

    def _note(self, note: str | None) -> None:
        from sqlalchemy import text

        run = self._connection.execute
        run(text(f"CREATE TABLE IF NOT EXISTS {_NOTE} (note TEXT NOT NULL)"))
        run(text(f"DELETE FROM {_NOTE}"))  # noqa: S608 - a name of our own
        if note is not None:
            run(text(f"INSERT INTO {_NOTE} (note) VALUES (:note)"), {"note": note})  # noqa: S608


@contextmanager
def sqlite_record(path: Path, patience: float) -> Iterator[SQLiteRecord]:
    """The record in an SQLite file, in one transaction; it is rolled back whole on any error.

    Parameters
    ----------
    path : Path
        The file.
    patience : float
        Seconds to wait for another program that writes.

    Yields
    ------
    SQLiteRecord

    Raises
    ------
    TableError
        If it is no such file, locked for longer, or lacks a table.
    """
    path = path.resolve()
    with transaction(path, "BEGIN IMMEDIATE", patience) as connection:
        yield SQLiteRecord(connection, path)


def checksum_of(tables: Tables) -> str:
    """One checksum of both tables: headers, and cells as text in their order."""
    told = [
        [table.header, *(column.tolist() for column in table.columns)]
        for table in (tables.cases, tables.visits)
    ]
    return checksum(json.dumps(told).encode())


def _image(path: Path) -> bytes:
    """The whole file as it was committed last, read through SQLite, so that a log it keeps aside is in it."""
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=rw", uri=True)) as reader:
        return reader.serialize()
