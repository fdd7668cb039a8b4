"""Rules across the rows of `visits`, and between `visits` and `cases`.

A row whose `missed` holds a missing code counts as attended. Days of missed rows are not judged: a booking may
lie before the first session.
"""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from retreat.errors import Fault
from retreat.features import MISSING_CODES
from retreat.tables.rules import fault_at, places
from retreat.tables.screening import BoolArray, Screened
from retreat.tables.schema import VISITS

MEASURED = ("pulses", "energy_mj", "cleared", "fragments", "bother", "event")


def visit_faults(table: Screened) -> Iterator[Fault]:
    """All that is wrong across the rows of a visit table, taken by itself.

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
    numbering = list(_numbering(table))
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
    attended = table.typed[known & ~_missed(table)]
    last = attended.index.to_series().groupby(attended["case"]).last()
    n_attended = attended["case"].value_counts()
    expected = cases.set_index("case")["sessions"]
    found = n_attended.reindex(expected.index, fill_value=0)
    for key, n_expected in expected[found != expected].items():
        what = f"case {key} has {found[key]} attended sessions here, but sessions is {n_expected} in cases"
        fix = "add or remove visits, or correct sessions in cases"
        allowed = "as many attended rows as sessions in cases"
        if key in last.index:
            yield fault_at(table, int(last[key]), "session", what, allowed, fix)
        else:
            yield Fault("session", what, allowed, fix, column="session", value=str(key))


def _missed(table: Screened) -> BoolArray:
    return table.typed["missed"].eq("yes").to_numpy(dtype=bool)


def _measured_though_missed(table: Screened) -> Iterator[Fault]:
    kinds = {column.name: column for column in VISITS}
    for name in MEASURED:
        values = table.typed[name]
        empty = values.isna() if kinds[name].is_number else values.isin(MISSING_CODES)
        for place in places(table.sound(name, "missed") & _missed(table) & ~empty.to_numpy(dtype=bool)):
            fix = "write not_applicable, or no in missed"
            yield fault_at(table, place, name, "measured in a session that was missed", "not_applicable", fix)


def _ordered(table: Screened, *columns: str) -> pd.DataFrame:
    """Attended rows by case and session, of cases whose rows are sound; none if a row's case is in doubt."""
    typed = table.typed
    if table.bad["case"].any():
        return typed.iloc[:0]
    doubtful = typed.loc[~table.sound("session", "missed", *columns), "case"]
    attended = typed[~_missed(table) & ~typed["case"].isin(doubtful).to_numpy(dtype=bool)]
    return attended.sort_values(["case", "session"], kind="stable")


def _numbering(table: Screened) -> Iterator[Fault]:
    """Attended sessions run 1, 2, ... without holes; a missed one is at most the next."""
    attended = _ordered(table)
    before = attended.groupby("case")["session"].shift().fillna(0).astype("int64")
    step = attended["session"].astype("int64") - before
    for place, found in step[step != 1].sort_index().items():
        session, previous = attended.at[place, "session"], before[place]
        if found == 0:
            what, fix = (
                f"session {session} of this case stands twice",
                "number the sessions, or write yes in missed",
            )
        else:
            what = f"session {session} of this case, but no row of session {previous + 1}"
            fix = "add the row, or number the sessions without holes"
        yield fault_at(table, place, "session", what, "1, 2, 3, ... once each among attended sessions", fix)
    if table.bad["case"].any():
        return
    done = attended.groupby("case")["session"].max()
    typed = table.typed
    following = typed["case"].map(done).fillna(0) + 1
    doubtful = typed["case"].isin(typed.loc[~table.sound("session", "missed"), "case"]).to_numpy(dtype=bool)
    beyond = (typed["session"] > following).to_numpy(dtype=bool)
    for place in places(_missed(table) & ~doubtful & beyond):
        what = f"a missed session {typed['session'].iloc[place]}, though the next of this case is {following[place]:g}"
        fix = "write the number of the session it was booked for"
        yield fault_at(table, place, "session", what, "at most one more than the sessions attended", fix)


def _days(table: Screened, numbering: list[Fault]) -> Iterator[Fault]:
    """Day 0 at session 1, never falling; cases with faulty numbers are left for later."""
    attended = _ordered(table, "day")
    faulty_rows = {fault.row for fault in numbering}
    in_doubt = table.typed.loc[pd.Series(table.rows).isin(faulty_rows).to_numpy(dtype=bool), "case"]
    attended = attended[attended["day"].notna() & ~attended["case"].isin(in_doubt)]
    latest = attended.groupby("case")["day"].cummax()
    for place in attended.index[(attended["session"] == 1) & (attended["day"] != 0)]:
        what = f"the first session is on day {attended.at[place, 'day']:g}"
        yield fault_at(table, place, "day", what, "0 at session 1", "count the days from the first session")
    for place in attended.index[attended["day"] < latest]:
        what = f"day {attended.at[place, 'day']:g}, after day {latest[place]:g} at an earlier session"
        yield fault_at(table, place, "day", what, "not falling from session to session", "correct the day")
