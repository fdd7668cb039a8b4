"""One visit more in a clinic's record, and the last one taken back."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Protocol

from retreat.errors import Fault, TableError
from retreat.record import sqlite_file, text_files
from retreat.record.entry import Entry, LoggedVisit, Tables, cell_of, entry_of
from retreat.record.judging import Judged, refuse_new_faults, refuse_unjudgeable
from retreat.tables.database import DATABASES, PATIENCE

Value = str | float | None


class Record(Protocol):
    """The two tables while nobody else can write to them."""

    def read(self) -> Tables:
        """As they will be."""

    def write(self, entry: Entry) -> None:
        """Add an entry."""

    def commit(self, logged: LoggedVisit) -> None:
        """Let it last."""


def log_visit(
    visits: str | Path,
    cases: str | Path | None = None,
    *,
    case: str,
    session: Value = None,
    day: Value = None,
    operator: str | None = None,
    pulses: Value = None,
    energy_mj: Value = None,
    cleared: Value = None,
    fragments: str | None = None,
    bother: Value = None,
    event: str | None = None,
    missed: str = "no",
    ending: str | None = None,
    stop_reason: str | None = None,
    started: str | None = None,
    relief_after: Value = None,
    patience: float = PATIENCE,
) -> LoggedVisit:
    r"""Add one visit to the table of visits, and bring the row of its case up to date.

    Both tables change together or not at all, whenever the process is killed. Nothing is written unless the tables
    with the visit pass the rules of `retreat check`; faults of other cases that were there before do not matter. A
    CSV file keeps its bytes: a row is added to `visits`, and in `cases` the cells that change are replaced.

    Parameters
    ----------
    visits : str or Path
        Table of visits, CSV or SQLite.
    cases : str or Path, optional
        Table of cases: another CSV file in the same folder. Left out for SQLite, where one file holds both.
    case : str
        Key of an ongoing case.
    session : int, optional
        Number of the session; the next by default.
    day : int, optional
        Days since the first session, 0 to 15,000; 0 at session 1 by default.
    operator : str, optional
        Code of the operator.
    pulses : int, optional
        Pulses, 0 to 5,000.
    energy_mj : float, optional
        Mean energy of a pulse, mJ, 0 to 50.
    cleared : float, optional
        Share of the original opacity judged gone so far, 0 to 1.
    fragments : {"none", "few", "many"}, optional
        Fragments seen.
    bother : float, optional
        How much it bothers, 0 to 10.
    event : {"none", "lens_hit", "retina_hit", "pressure", "other"}, optional
        What went wrong.
    missed : {"no", "yes"}
        Whether the visit was booked and not attended; then no session is counted.
    ending : {"ongoing", "relieved", "stopped"}, optional
        How the case stands after the visit; as before by default.
    stop_reason : {"no_benefit", "side_effect", "surgery", "choice"}, optional
        Why it was stopped.
    started : str, optional
        ISO date or year of the first session; needed with session 1 where `cases` says not_applicable.
    relief_after : float, optional
        How much it bothers after treatment, 0 to 10.
    patience : float
        Seconds to wait for another program that writes.

    Returns
    -------
    LoggedVisit

    Raises
    ------
    TableError
        If the case is unknown or has ended, a value or the new row breaks a rule, the tables have faults that hide
        whether it does, or they cannot be locked, read or written.

    Notes
    -----
    A value left out is written as not_recorded; any value may be a missing code.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> _ = (folder / "cases.csv").write_text("case,patient,eye,started,sessions,ending,opacity\n"
    ...                                       "k7f3q9zt,p2x,right,2021,1,ongoing,ring\n")
    >>> _ = (folder / "visits.csv").write_text("case,session,day,cleared\nk7f3q9zt,1,0,0.4\n")
    >>> log_visit(folder / "visits.csv", folder / "cases.csv", case="k7f3q9zt", day=45, cleared=0.9, ending="relieved")
    LoggedVisit(case='k7f3q9zt', session=2, missed='no', row=3, sessions=2, ending='relieved')
    >>> print((folder / "visits.csv").read_text())
    case,session,day,cleared
    k7f3q9zt,1,0,0.4
    k7f3q9zt,2,45,0.9
    <BLANKLINE>
    >>> undo(folder / "visits.csv").session
    2
    """
    visit = {
        "session": session,
        "day": day,
        "operator": operator,
        "pulses": pulses,
        "energy_mj": energy_mj,
        "cleared": cleared,
        "fragments": fragments,
        "bother": bother,
        "event": event,
        "missed": missed,
    }
    outcome = {
        "ending": ending,
        "stop_reason": stop_reason,
        "started": started,
        "relief_after": relief_after,
    }
    with _record(Path(visits), None if cases is None else Path(cases), patience) as record:
        return _log(record, case, visit, outcome)


def undo(visits: str | Path, *, patience: float = PATIENCE) -> LoggedVisit:
    """Take the last logged visit back: both tables are as they were before it.

    Parameters
    ----------
    visits : str or Path
        Table of visits, CSV or SQLite.
    patience : float
        Seconds to wait for another program that writes.

    Returns
    -------
    LoggedVisit
        The visit taken back.

    Raises
    ------
    TableError
        If no visit was logged since the last undo, a table was changed since by other means, or the tables cannot be
        locked, read or written. Nothing has changed then.
    """
    path = Path(visits)
    if _is_database(path):
        with sqlite_file.sqlite_record(path, patience) as record:
            return record.take_back()
    return text_files.take_back(path, patience)


def _log(
    record: Record, case: str, visit: Mapping[str, object], outcome: Mapping[str, object]
) -> LoggedVisit:
    before = Judged.of(record.read())
    refuse_unjudgeable(before, case)
    entry = entry_of(before.tables, case, visit, outcome)
    record.write(entry)
    after = Judged.of(record.read())
    refuse_new_faults(before, after, entry)
    logged = LoggedVisit(
        case=case,
        session=int(entry.visit["session"]),
        missed=str(visit["missed"]),
        row=int(after.tables.visits.rows[-1]),
        sessions=int(cell_of(after.tables.cases, entry.case_row, "sessions") or 0),
        ending=cell_of(after.tables.cases, entry.case_row, "ending") or "",
    )
    record.commit(logged)
    return logged


def _record(visits: Path, cases: Path | None, patience: float) -> AbstractContextManager[Record]:
    if _is_database(visits):
        if cases is not None and cases.resolve() != visits.resolve():
            what, fix = f"{cases} beside the SQLite file {visits}", "leave it out, or name the same file"
            raise TableError(Fault("cases", what, "the table cases of the same file", fix))
        return sqlite_file.sqlite_record(visits, patience)
    if cases is None or _is_database(cases):
        what = "no table of cases" if cases is None else f"{cases} beside the CSV file {visits}"
        raise TableError(Fault("cases", what, "a CSV file in the folder of the visits", "name it"))
    return text_files.text_record(visits, cases, patience)


def _is_database(path: Path) -> bool:
    """Whether a file is SQLite, or CSV; others are refused."""
    kind = path.suffix.lower()
    if kind not in (*DATABASES, *text_files.TEXT_FILES):
        what = f"visits are not logged in files ending in {kind or 'nothing'}"
        allowed = "CSV UTF-8 (.csv, .tsv) or SQLite (.sqlite, .sqlite3, .db)"
        raise TableError(
            Fault(str(path), what, allowed, "save both tables as CSV UTF-8, or use retreat keep")
        )
    return kind in DATABASES
