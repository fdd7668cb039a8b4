"""What one visit changes in the two tables of a clinic, before anything is written."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from numbers import Integral, Real

from retreat.errors import Fault, TableError
from retreat.tables.column import Schema, allowed_values
from retreat.tables.files import RawTable
from retreat.tables.identifiers import key_form, masked, value_suspect
from retreat.tables.schema import CASES, VISITS, find, name_of
from retreat.tables.visit_rules import MEASURED

# columns of `cases` that a visit may change, besides `sessions`
OUTCOME = ("ending", "stop_reason", "started", "relief_after")
_YES, _NOT_RECORDED, _NOT_APPLICABLE = "yes", "not_recorded", "not_applicable"


@dataclass(frozen=True)
class Tables:
    """The two tables as they stand, cells as text.

    Parameters
    ----------
    cases, visits : RawTable
    """

    cases: RawTable
    visits: RawTable


@dataclass(frozen=True)
class Entry:
    """One visit, and what it changes in the row of its case.

    Parameters
    ----------
    visit : dict of str to str
        The new row of `visits`, by column.
    case_row : int
        Row of the case in `cases`, as a spreadsheet counts.
    before, after : dict of str to str
        Changed cells of that row, as they were and as they will be.
    """

    visit: dict[str, str]
    case_row: int
    before: dict[str, str]
    after: dict[str, str]


@dataclass(frozen=True)
class LoggedVisit:
    """A visit in the record, and how its case stood after it.

    Parameters
    ----------
    case : str
        Random key of the case.
    session : int
        Number of the session.
    missed : str
        yes where it was booked and not attended.
    row : int
        Row of `visits`, the header being row 1.
    sessions : int
        Sessions done, as `cases` says.
    ending : str
        How the case stands, as `cases` says.
    """

    case: str
    session: int
    missed: str
    row: int
    sessions: int
    ending: str


def entry_of(tables: Tables, case: str, visit: Mapping[str, object], outcome: Mapping[str, object]) -> Entry:
    """The visit and the changed case, with what was not given filled in.

    Parameters
    ----------
    tables : Tables
        As they stand, sound as far as the case goes.
    case : str
        Key of an ongoing case.
    visit : mapping of str to object
        Columns of `visits` as given; None where not given. The session is by default the next, the day 0 at the
        first; what else is not given is not_recorded, or not_applicable in a session that was missed. Of a session
        attended something must be given.
    outcome : mapping of str to object
        Columns of `cases` as given; None where not given.

    Returns
    -------
    Entry

    Raises
    ------
    TableError
        If there is no such case or it has ended, a given column is not in its table, or the day of the first session
        is wanted and not given, or given and not wanted. Values are judged later, by the rules of the tables.
    """
    row = _row_of(tables.cases, case)
    known = {name: cell_of(tables.cases, row, name) for name in ("sessions", *OUTCOME)}
    if known["ending"] != "ongoing":
        what = f"case {case} has ended ({known['ending']})"
        fix = "take back its last visit with --undo, or open a new case"
        raise TableError(Fault("case", what, "an ongoing case", fix, value=case))
    given = {name: text_of(value) for name, value in visit.items() if value is not None}
    change = {name: text_of(value) for name, value in outcome.items() if value is not None}
    is_missed = given["missed"] == _YES
    done = int(known["sessions"] or 0)
    session = given.setdefault("session", str(done + 1))
    faults = [
        *_absent(tables.visits, VISITS, [name for name in given if name != "missed" or is_missed]),
        *_absent(tables.cases, CASES, change),
        *_first_session(known["started"], "started" in change, is_first=session == "1" and not is_missed),
        *_untold(given, change),
    ]
    if faults:
        raise TableError(faults)
    if not is_missed:
        change["sessions"] = str(done + 1)
        if known["relief_after"] == _NOT_APPLICABLE:  # as it stands before a first session
            change.setdefault("relief_after", _NOT_RECORDED)
    after = {name: value for name, value in change.items() if value != known[name]}
    filled = _defaults(session, is_missed) | given | {"case": case}
    return Entry(
        {name: value for name, value in filled.items() if name in tables.visits.header},
        row,
        {name: known[name] or "" for name in after},
        after,
    )


def _untold(given: Mapping[str, str], change: Mapping[str, str]) -> list[Fault]:
    """A session is counted only if something is told of it: a line begun by mistake must not move a forecast."""
    if given["missed"] == _YES or change or set(given) - {"session", "missed"}:
        return []
    return [Fault("day", "nothing is told of the session", "its day, or something noted", "give its day")]


def cell_of(table: RawTable, row: int, name: str) -> str | None:
    """The text of a cell; None where the table has no such column."""
    if name not in table.header:
        return None
    place = table.rows.tolist().index(row)
    return str(table.columns[table.header.index(name)].iloc[place])


def rows_of(table: RawTable, case: str) -> list[int]:
    """Rows that belong to a case."""
    keys = table.columns[table.header.index("case")]
    return [int(row) for row in table.rows[(keys == case).to_numpy(dtype=bool)]]


def text_of(value: object) -> str:
    """A value as the text of its cell.

    Examples
    --------
    >>> text_of(45), text_of(0.6), text_of(3.0), text_of("few"), text_of(float("nan"))
    ('45', '0.6', '3', 'few', 'not_recorded')
    """
    if isinstance(value, Integral):
        return str(int(value))
    if isinstance(value, Real):
        number = float(value)
        return _NOT_RECORDED if math.isnan(number) else repr(number).removesuffix(".0")
    return str(value)


def _row_of(cases: RawTable, case: str) -> int:
    rows = rows_of(cases, case)
    if not rows:
        shown = masked(case) if key_form(case) or value_suspect(case) else case
        fix = "correct the key, or add the case to the table"
        raise TableError(Fault("case", f"case {shown} is not in cases", "a key of cases", fix, value=shown))
    return rows[0]


def _absent(table: RawTable, schema: Schema, names: Iterable[str]) -> list[Fault]:
    """A fault for each given column that the table lacks."""
    return [
        Fault(
            name,
            f"{name_of(schema)} has no column {name}",
            f"a column of the table: {', '.join(table.header)}",
            "add the column to the table, with not_recorded in its rows",
            column=name,
        )
        for name in names
        if name not in table.header
    ]


def _first_session(started: str | None, is_given: bool, *, is_first: bool) -> list[Fault]:
    allowed = allowed_values(find("started"))
    if is_given and not is_first:
        what = "a day of the first session, with another session"
        return [Fault("started", what, "only with session 1", "leave it out", column="started")]
    if is_first and not is_given and started == _NOT_APPLICABLE:
        what = f"{started} in cases, though the case begins with this session"
        return [Fault("started", what, allowed, "say when", column="started", value=started)]
    return []


def _defaults(session: str, is_missed: bool) -> dict[str, str]:
    filled = {column.name: _NOT_RECORDED for column in VISITS}
    if is_missed:
        return filled | dict.fromkeys(("operator", *MEASURED), _NOT_APPLICABLE)
    return filled | ({"day": "0"} if session == "1" else {})
