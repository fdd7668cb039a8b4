"""What a check of files found, for the command line to print: counts, faults, remarks, a line of verdict."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from retreat.errors import Fault, TableError
from retreat.tables.checking import Checked, check_raw
from retreat.tables.files import read_raw
from retreat.tables.header import is_foreign
from retreat.tables.reading import is_invented, read_visits
from retreat.tables.schema import CASES
from retreat.tables.screening import Screened


@dataclass(frozen=True)
class CheckResult:
    """The outcome of `check_file`.

    Parameters
    ----------
    n_cases : int
        Rows of the case table; 0 if it could not be read.
    n_patients : int
        Distinct patients among them.
    n_visits : int or None
        Rows of the visit table; None if none was given or it has faults.
    faults : tuple of Fault
        All of them; those of the visit table say so in `where`.
    notes : tuple of str
        What is no fault but worth knowing: missing shares, absent columns, invented data.
    verdict : str
        One line.
    """

    n_cases: int
    n_patients: int
    n_visits: int | None
    faults: tuple[Fault, ...]
    notes: tuple[str, ...]
    verdict: str

    @property
    def is_sound(self) -> bool:
        """Whether there is no fault."""
        return not self.faults


def check_file(path: str | Path, visits_path: str | Path | None = None) -> CheckResult:
    """Check a case table, and a visit table against it, without raising for what is wrong with them.

    Parameters
    ----------
    path : str or Path
        The case table: CSV UTF-8, Parquet, Excel or SQLite.
    visits_path : str or Path, optional
        The visit table.

    Returns
    -------
    CheckResult
    """
    try:
        raw = read_raw(path, CASES)
    except TableError as error:
        return _unreadable(path, error.faults)
    checked = check_raw(raw, CASES)
    if is_foreign(raw.header, CASES):
        return _unreadable(path, checked.faults)
    table = checked.screened
    n_cases, n_patients = len(table.rows), table.typed["patient"][table.sound("patient")].nunique()
    notes = _notes(table)
    faults, n_visits = checked.faults, None
    if visits_path is not None:
        visit_faults, n_visits = _check_visits(visits_path, checked)
        faults = (*faults, *visit_faults)
        if checked.faults:
            notes = (*notes, "visits will be held against the cases once the cases have no fault")
    verdict = _verdict(n_cases, n_patients, n_visits, len(faults))
    return CheckResult(n_cases, n_patients, n_visits, faults, notes, verdict)


def _unreadable(path: str | Path, faults: tuple[Fault, ...]) -> CheckResult:
    return CheckResult(
        0, 0, None, faults, (), f"Not usable: {Path(path).name} cannot be read as a case table."
    )


def _check_visits(path: str | Path, cases: Checked) -> tuple[tuple[Fault, ...], int | None]:
    try:
        visits = read_visits(path, None if cases.faults else cases.screened.typed)
    except TableError as error:
        return tuple(replace(fault, where=f"{fault.where} (visits)") for fault in error.faults), None
    return (), len(visits)


def _notes(table: Screened) -> tuple[str, ...]:
    n = len(table.rows)
    may_lack = [column.name for column in CASES if not column.required and column.name in table.absent]
    notes = [f"{name}: not in the file, taken as not_recorded" for name in may_lack]
    for name, counts in table.missing.items():
        lost = {code: count for code, count in counts.items() if code != "not_applicable"}
        if lost and name not in table.absent:
            codes = ", ".join(f"{count} {code}" for code, count in lost.items())
            notes.append(f"{name}: {sum(lost.values()) / n:.0%} missing ({codes} of {n})")
    ending = table.typed["ending"][table.sound("ending")]
    if len(ending) and ending.eq("ongoing").all():
        notes.append("ending: no case has ended yet, so no model can be fitted")
    if is_invented(table.typed):
        notes.append("site: these data are invented and must never be used with a patient")
    return tuple(notes)


def _verdict(n_cases: int, n_patients: int, n_visits: int | None, n_faults: int) -> str:
    table = f"{_count(n_cases, 'case')} of {_count(n_patients, 'patient')}"
    if n_visits is not None:
        table += f" with {_count(n_visits, 'visit')}"
    if not n_faults:
        return f"Sound: {table}, no fault."
    return f"Not usable yet: {_count(n_faults, 'fault')} in {table}."


def _count(n: int, thing: str) -> str:
    return f"{n} {thing}" if n == 1 else f"{n} {thing}s"
