"""Rules across the rows of `visits`, and between `visits` and `cases`.

A row whose `missed` holds a missing code counts as attended. Days of missed rows are not judged: a booking
may lie before the first session.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from retreat.errors import Fault
from retreat.features import MISSING_CODES
from retreat.tables.rules import fault_at, places
from retreat.tables.schema import VISITS
from retreat.tables.screening import BoolArray, Screened

MEASURED = ("pulses", "energy_mj", "cleared", "fragments", "bother", "event")


def visit_faults(table: Screened) -> Iterator[Fault]:
    """All that is wrong across the rows of a visit table, taken by itself.

    Sessions and days are judged once every row can be given to its case.

    Parameters
    ----------
    table : Screened
        `visits` after its cells were checked.

    Yields
    ------
    Fault
        At the cell that should be changed.
    """
    yield from _measured_though_missed(table)
    if not table.bad["case"].any():
        numbering = [*_numbering(table), *_booked_too_far(table)]
        yield from numbering
        yield from _days(table, numbering)


def agreement_faults(table: Screened, cases: pd.DataFrame) -> Iterator[Fault]:
    """All in which a sound visit table disagrees with the cases.

    Parameters
    ----------
    table : Screened
        `visits`, without a fault of its own.
    cases : DataFrame
        The typed `cases`.

    Yields
    ------
    Fault
        At the last attended row of a case; without a row where the case has none.
    """
    keys = table.typed["case"]
    known = keys.isin(cases["case"]).to_numpy(dtype=bool)
    for place in places(~known):
        what = f"case {keys.iloc[place]} is not in cases"
        yield fault_at(table, place, "case", what, "a key of cases", "correct the key, or add the case")
    attended = np.flatnonzero(known & ~_missed(table))
    case = pd.Index(cases["case"]).get_indexer(keys.iloc[attended])
    found = np.bincount(case, minlength=len(cases))
    last = np.full(len(cases), -1)
    last[case] = attended  # of several rows the last one stays
    expected = cases["sessions"].to_numpy(dtype=np.int64)
    allowed, fix = "as many attended rows as sessions in cases", "add or remove visits, or correct sessions"
    for i in places(found != expected):
        what = (
            f"case {cases['case'].iloc[i]} has {found[i]} attended sessions in visits, {expected[i]} in cases"
        )
        if last[i] >= 0:
            yield fault_at(table, int(last[i]), "session", what, allowed, fix)
        else:
            yield Fault("session", what, allowed, fix, column="session", value="0")


def _missed(table: Screened) -> BoolArray:
    return table.typed["missed"].eq("yes").to_numpy(dtype=bool)


def _measured_though_missed(table: Screened) -> Iterator[Fault]:
    is_number = {column.name: column.is_number for column in VISITS}
    for name in MEASURED:
        values = table.typed[name]
        empty = values.isna() if is_number[name] else values.isin(MISSING_CODES)
        for place in places(table.sound(name, "missed") & _missed(table) & ~empty.to_numpy(dtype=bool)):
            fix = "write not_applicable, or no in missed"
            yield fault_at(table, place, name, "measured in a session that was missed", "not_applicable", fix)


def _in_doubt(table: Screened, doubtful_rows: BoolArray) -> BoolArray:
    """All rows of the cases that have a doubtful row."""
    keys = table.typed["case"]
    return keys.isin(keys[doubtful_rows]).to_numpy(dtype=bool)


def _in_order(table: Screened, rows: BoolArray) -> pd.DataFrame:
    """Those rows by case and session; the index keeps their place in the table."""
    return table.typed.loc[rows, ["case", "session", "day"]].sort_values(["case", "session"], kind="stable")


def _numbering(table: Screened) -> Iterator[Fault]:
    """Attended sessions run 1, 2, ... without holes."""
    doubtful = _in_doubt(table, ~table.sound("session", "missed"))
    attended = _in_order(table, ~doubtful & ~_missed(table))
    session = attended["session"].to_numpy(dtype=np.int64)
    before = attended.groupby("case")["session"].shift(fill_value=0).to_numpy(dtype=np.int64)
    place = attended.index.to_numpy()
    allowed = "1, 2, 3, ... once each among attended sessions"
    for i in places(session - before != 1):
        if session[i] == before[i]:
            what = f"session {session[i]} of this case stands twice"
            fix = "number the sessions, or write yes in missed"
        else:
            what = f"session {session[i]} of this case, but no attended row of session {before[i] + 1}"
            fix = "add the row, or number the sessions without holes"
        yield fault_at(table, int(place[i]), "session", what, allowed, fix)


def _booked_too_far(table: Screened) -> Iterator[Fault]:
    """A missed session is at most the one after those attended."""
    doubtful = _in_doubt(table, ~table.sound("session", "missed"))
    missed = _missed(table)
    keys, session = table.typed["case"], table.typed["session"].to_numpy(dtype=float)
    last = session[~missed & ~doubtful]
    attended = pd.Series(last).groupby(keys[~missed & ~doubtful].to_numpy()).max()
    following = keys.map(attended).fillna(0.0).to_numpy(dtype=float) + 1
    for place in places(missed & ~doubtful & (session > following)):
        what = f"missed session {session[place]:g}, though the next of this case is {following[place]:g}"
        fix = "write the number of the session it was booked for"
        yield fault_at(table, place, "session", what, "at most one more than the sessions attended", fix)


def _days(table: Screened, numbering: list[Fault]) -> Iterator[Fault]:
    """Day 0 at session 1, never falling; cases whose numbers are at fault wait."""
    misnumbered = np.isin(table.rows, [fault.row or 0 for fault in numbering])
    doubtful = _in_doubt(table, misnumbered | ~table.sound("session", "missed", "day"))
    is_known = table.typed["day"].notna().to_numpy(dtype=bool)
    attended = _in_order(table, ~doubtful & ~_missed(table) & is_known)
    day = attended["day"].to_numpy(dtype=float)
    latest = attended.groupby("case")["day"].cummax().to_numpy(dtype=float)
    is_first = attended["session"].to_numpy(dtype=np.int64) == 1
    place = attended.index.to_numpy()
    for i in places(is_first & (day != 0)):
        what, fix = f"the first session is on day {day[i]:g}", "count the days from the first session"
        yield fault_at(table, int(place[i]), "day", what, "0 at session 1", fix)
    for i in places(day < latest):
        what = f"day {day[i]:g}, after day {latest[i]:g} at an earlier session"
        yield fault_at(table, int(place[i]), "day", what, "not falling from session to session", "correct it")
