"""Where each open case stands in its timetable on the first day of a plan."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date
from enum import IntEnum
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from retreat.planning.dates import NO_DATE, check_not_later, day_number, first_monday, start_days, visit_days
from retreat.planning.gaps import Gaps

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# last bookings of two eyes further apart than this are two timetables (our judgement)
_CLOSE_WEEKS = 4
_FRIDAY = 4
# a case with a smaller chance of another booking counts as past the longest gap
_NO_CHANCE = 1e-9


class Last(IntEnum):
    """What was last known of a case: a session attended, a booking missed, or nothing yet but that it waits."""

    ATTENDED = 0
    MISSED = 1
    WAITS = 2


@dataclass(frozen=True)
class OpenCases:
    """Where each open case stands in its timetable on the first day of the plan.

    Parameters
    ----------
    cases : DataFrame
        The open cases, by their keys, so that the order of the table does not matter.
    clock : ndarray of int, shape (cases,)
        Which row of `first` each case follows.
    first : tuple of ndarray of float
        For each clock, the chance that the next booking falls in each week from week 1, given none so far. A case
        that waits for its first session is due in week 1.
    weeks_since : ndarray of int, shape (cases,)
        Calendar weeks from the last booking to week 1: 1 in the week after it; 0 for a case that waits.
    waits : tuple of (int, Last)
        For each clock, those weeks and what was last known.
    known : ndarray of bool, shape (cases,)
        Whether the day of the last booking is known, and not placed by the usual gap.
    notes : tuple of str
        What the reader must know.
    """

    cases: pd.DataFrame
    clock: NDArray[np.intp]
    first: tuple[FloatArray, ...]
    weeks_since: IntArray
    waits: tuple[tuple[int, Last], ...]
    known: NDArray[np.bool_] = field(repr=False)
    notes: tuple[str, ...] = ()

    def under(self, gaps: Gaps) -> OpenCases:
        """The same cases under another law of the gaps."""
        return replace(self, first=_first(self.waits, gaps))

    @property
    def last(self) -> IntArray:
        """What was last known of each case, as :class:`Last`, shape (cases,)."""
        return np.array([what for _, what in self.waits], dtype=np.int64)[self.clock]

    @property
    def waiting(self) -> NDArray[np.bool_]:
        """Cases that wait for their first session, shape (cases,)."""
        return np.asarray(self.last == Last.WAITS)

    @property
    def back(self) -> FloatArray:
        """Chance that each case is ever booked again, if it needs more, shape (cases,)."""
        return np.array([float(chances.sum()) for chances in self.first])[self.clock]

    @property
    def may_return(self) -> NDArray[np.bool_]:
        """Cases with any chance to be booked again, shape (cases,)."""
        return np.asarray(self.back > _NO_CHANCE)

    def only(self, chosen: NDArray[np.intp]) -> OpenCases:
        """Some of the cases, in that order."""
        return replace(
            self, cases=self.cases.iloc[chosen].reset_index(drop=True), clock=self.clock[chosen],
            weeks_since=self.weeks_since[chosen], known=self.known[chosen],
        )  # fmt: skip

    def leaders(self) -> IntArray:
        """For eyes booked together: place of the eye whose days each follows, -1 for one by itself, shape (cases,).

        The eye seen last leads, by the key of the case where both were seen in one week. Eyes are a pair where both may
        still return, both wait or neither does, and their last bookings lie at most four weeks apart.
        """
        found = np.full(len(self.cases), -1, dtype=np.int64)
        patient = self.cases["patient"].to_numpy(dtype=object)
        eye = self.cases["eye"].to_numpy(dtype=object)
        may_return, waiting = self.may_return, self.waiting
        of_patient: dict[object, list[int]] = {}
        for i in np.flatnonzero(may_return).tolist():
            of_patient.setdefault(patient[i], []).append(i)
        for places in of_patient.values():
            if len(places) != 2:
                continue
            lead, follow = sorted(places, key=lambda i: (int(self.weeks_since[i]), i))
            close = self.weeks_since[follow] - self.weeks_since[lead] <= _CLOSE_WEEKS
            if eye[lead] != eye[follow] and close and waiting[lead] == waiting[follow]:
                found[follow] = lead
        return found


def open_cases(
    cases: pd.DataFrame, gaps: Gaps, *, today: date, visits: pd.DataFrame | None = None
) -> OpenCases:
    """The open cases, with the weeks since their last booking.

    Parameters
    ----------
    cases : DataFrame
        The typed `cases`. Those not yet begun are due for their first session in week 1.
    gaps : Gaps
        When the next booking follows.
    today : date
        Day on which the tables were closed. From Monday to Thursday what remains of the week is in no number: its
        bookings are taken to be over, and this is noted.
    visits : DataFrame, optional
        The typed `visits`. Without them the last session is placed by the mean gap, and noted.

    Raises
    ------
    FitError
        If a start bears only a year, or a date lies after today.
    """
    cases = cases.sort_values("case", kind="stable").reset_index(drop=True)
    start = start_days(cases)
    check_not_later(start, today, where="started")
    is_open = cases["ending"].eq("ongoing").to_numpy(dtype=bool)
    kept = cases[is_open].reset_index(drop=True)
    waiting = kept["sessions"].eq(0).to_numpy(dtype=bool)
    notes = _noted(len(kept), int(waiting.sum()), today)
    last, missed = _last_bookings(cases, visits, today) if visits is not None else (None, None)
    if last is None or missed is None:
        sessions = kept["sessions"].to_numpy(dtype=float)
        between = gaps.mean_weeks if np.isfinite(gaps.mean_weeks) else 0.0
        placed = start[is_open] + np.rint(7 * between * (sessions - 1)).astype(np.int64)
        day = np.minimum(placed, day_number(today))
        absent, known = np.zeros(len(kept), dtype=bool), sessions == 1
        if (sessions > 1).any():
            notes.append("without visits, last sessions were placed by the usual gap")
    else:
        known = last[is_open] != NO_DATE
        day, absent = np.where(known, last[is_open], start[is_open]), missed[is_open]
        known |= kept["sessions"].eq(1).to_numpy(dtype=bool)
    since = np.maximum(day_number(first_monday(today)) // 7 - day // 7, 0)
    since[waiting] = 0
    what = np.where(waiting, Last.WAITS, np.where(absent, Last.MISSED, Last.ATTENDED)).astype(np.int64)
    kinds, clock = np.unique(np.stack([since, what], axis=1), axis=0, return_inverse=True)
    waits = tuple((int(weeks), Last(kind)) for weeks, kind in kinds)
    found = OpenCases(kept, clock.reshape(-1).astype(np.intp), _first(waits, gaps), since, waits, known)
    n_past = int((~found.may_return).sum())
    if n_past:
        plural = "open case is" if n_past == 1 else "open cases are"
        notes.append(f"{n_past} {plural} past the longest gap after which anyone came back: not in the slots")
    return replace(found, notes=tuple(notes))


def _noted(n_open: int, n_waiting: int, today: date) -> list[str]:
    notes = []
    if n_waiting:
        plural = "case that has" if n_waiting == 1 else "cases that have"
        notes.append(
            f"{n_waiting} {plural} not begun count as due from week 1, besides new starts; where they are booked for "
            "later, the first weeks are overstated"
        )
    if today.weekday() < _FRIDAY and n_open:
        notes.append(
            "planned within a week: what remains of this week is not in the plan, and its bookings are taken to be "
            "over, which puts them into the weeks after; plan from Friday to Sunday to be free of this"
        )
    return notes


def _last_bookings(
    cases: pd.DataFrame, visits: pd.DataFrame, today: date
) -> tuple[IntArray, NDArray[np.bool_]]:
    """Day of the last booking of each case, -1 where unknown, and whether it was missed."""
    import pandas as pd  # heavy: only whoever plans pays for it

    day = visit_days(cases, visits)
    check_not_later(day, today, where="visits")
    known = day != NO_DATE
    row = pd.Index(cases["case"]).get_indexer(visits["case"])
    known &= row >= 0
    missed = visits["missed"].eq("yes").to_numpy(dtype=bool)
    session = visits["session"].to_numpy(dtype=np.int64)
    order = np.lexsort((~missed, session, day))
    order = order[known[order]]
    last, absent = np.full(len(cases), NO_DATE, dtype=np.int64), np.zeros(len(cases), dtype=bool)
    last[row[order]], absent[row[order]] = day[order], missed[order]  # of several the last one stays
    return last, absent


def _first(waits: tuple[tuple[int, Last], ...], gaps: Gaps) -> tuple[FloatArray, ...]:
    return tuple(_next(weeks, what, gaps) for weeks, what in waits)


def _next(weeks: int, what: Last, gaps: Gaps) -> FloatArray:
    if what == Last.WAITS:
        return np.ones(1)
    return gaps.after_missed(weeks) if what == Last.MISSED else gaps.after(weeks)
