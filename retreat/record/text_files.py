"""The record kept as two CSV files in one folder: locked, changed together, with a backup of each.

Beside `visits.csv` and `cases.csv` lie `visits.csv.bak` and `cases.csv.bak`, the files as they were before the last
change, `.visits.csv.last`, the note by which that change can be taken back, and `.retreat.lock`.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from retreat.errors import Fault, TableError
from retreat.journal import Replacement, checksum, finish, replace_together
from retreat.record.delimited import Delimited
from retreat.record.entry import Entry, LoggedVisit, Tables
from retreat.record.last import changed_since, last_log, nothing_logged, read_last_log
from retreat.tables.files import raw_of_csv
from retreat.tables.schema import CASES, VISITS

TEXT_FILES = (".csv", ".tsv")
LOCK = ".retreat.lock"


class TextRecord:
    """Two CSV files under lock, and what they will hold.

    Parameters
    ----------
    visits, cases : Path
        In one folder.

    Raises
    ------
    TableError
        If one of them cannot be read.
    """

    def __init__(self, visits: Path, cases: Path) -> None:
        self._visits, self._cases = visits, cases
        self._before = {path: _content(path) for path in (visits, cases)}
        self._after = dict(self._before)

    def read(self) -> Tables:
        """The tables as they will be."""
        return Tables(
            raw_of_csv(self._cases, self._after[self._cases], CASES),
            raw_of_csv(self._visits, self._after[self._visits], VISITS),
        )

    def write(self, entry: Entry) -> None:
        """Add an entry; the files change at `commit`."""
        visits = Delimited.of(self._visits, self._after[self._visits], VISITS)
        cases = Delimited.of(self._cases, self._after[self._cases], CASES)
        self._after[self._visits] = visits.with_row(entry.visit)
        self._after[self._cases] = cases.with_cells(entry.case_row, entry.after)

    def commit(self, logged: LoggedVisit) -> None:
        """Change both files, their backups and the note on the visit, all or none."""
        files = [
            {"name": path.name, "before": checksum(before), "after": checksum(self._after[path])}
            for path, before in self._before.items()
        ]
        _replace(self._visits, self._before, self._after, last_log(logged, files=files))


@contextmanager
def text_record(visits: Path, cases: Path, patience: float) -> Iterator[TextRecord]:
    """The record in two CSV files, locked, an interrupted change finished first.

    Parameters
    ----------
    visits, cases : Path
        The files.
    patience : float
        Seconds to wait for another program that writes.

    Yields
    ------
    TextRecord

    Raises
    ------
    TableError
        If they are one file or lie in two folders, are locked for longer, or cannot be read or written.
    """
    visits, cases = _placed(visits), cases.resolve()
    if visits == cases:
        raise TableError(Fault("cases", f"{cases} is the table of visits, too", "the other table"))
    if visits.parent != cases.parent:
        what = f"{cases} lies in another folder than {visits}"
        fix = "put both in one folder: they are changed together"
        raise TableError(Fault("cases", what, "two files in one folder", fix))
    with locked(visits.parent, patience):
        yield TextRecord(visits, cases)


def take_back(visits: Path, patience: float) -> LoggedVisit:
    """Take the last logged visit out of both files, byte for byte.

    Parameters
    ----------
    visits : Path
        The file of visits; its note tells the other.
    patience : float
        Seconds to wait for another program that writes.

    Returns
    -------
    LoggedVisit
        The visit taken out.

    Raises
    ------
    TableError
        If there is none, a file was changed since, or a backup is not the one of that visit.
    """
    visits = _placed(visits)
    with locked(visits.parent, patience):
        note = _note(visits)
        logged, told = read_last_log(str(visits), note.read_bytes() if note.exists() else None)
        files = {visits.with_name(Path(one["name"]).name): one for one in told["files"]}
        for path, one in files.items():
            if checksum(_content(path)) != one["after"]:
                raise changed_since(str(path))
            if not _backup(path).exists() or checksum(_backup(path).read_bytes()) != one["before"]:
                what = "this backup is missing, or not the one of the last logged visit"
                raise TableError(Fault(str(_backup(path)), what, "", "take the visit out by hand"))
        before = {path: _content(path) for path in files}
        after = {path: _backup(path).read_bytes() for path in files}
        _replace(visits, before, after, nothing_logged())
    return logged


def _replace(visits: Path, before: dict[Path, bytes], after: dict[Path, bytes], note: str) -> None:
    replace_together(
        [
            *(Replacement(path, content, after[path]) for path, content in before.items()),
            *(Replacement(_backup(path), None, content, like=path) for path, content in before.items()),
            Replacement(_note(visits), None, note.encode(), like=visits),
        ]
    )


def _backup(path: Path) -> Path:
    return path.with_name(f"{path.name}.bak")


def _note(visits: Path) -> Path:
    return visits.with_name(f".{visits.name}.last")


def _content(path: Path) -> bytes:
    content = path.read_bytes()
    if not content.strip():
        fix = "begin with the files of retreat template"
        raise TableError(Fault(str(path), "the file is empty", "a header at least", fix))
    return content


@contextmanager
def locked(folder: Path, patience: float) -> Iterator[None]:
    """Hold the lock of a folder, an interrupted change of its files finished first.

    Parameters
    ----------
    folder : Path
        Where the files are.
    patience : float
        Seconds to wait for another program that writes.

    Raises
    ------
    TableError
        If it is locked for longer, or files in it cannot be read or written.
    """
    from filelock import FileLock, Timeout  # only those who write wait for it

    try:
        with FileLock(folder / LOCK, timeout=patience):
            finish(folder)
            yield
    except Timeout:
        what = f"another program has been writing to the record for {patience:g} s"
        fix = "wait for it, then try again"
        raise TableError(Fault(str(folder), what, "one writer at a time", fix)) from None
    except OSError as error:
        what = f"nothing was written ({error.filename}: {error.strerror or error})"
        raise TableError(Fault(str(folder), what, "a folder you may write to", "check the rights")) from None


def _placed(visits: Path) -> Path:
    """The file of visits itself, where a link leads to it."""
    if not visits.exists():
        fix = "check the path, or begin with the files of retreat template"
        raise TableError(Fault(str(visits), "there is no such file", "the table of visits", fix))
    return visits.resolve()
