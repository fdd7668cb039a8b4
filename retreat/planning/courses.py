"""Chance events of whole courses, drawn once and used under every scenario (common random numbers).

Each case bears its own events: when it asks, how many sessions it needs, its gaps and missed bookings. A scenario
changes what the clinic does or how many come, never a case's own luck, so that two scenarios differ by it alone.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from retreat.planning.dates import first_monday
from retreat.planning.gaps import Gaps
from retreat.planning.second_eyes import begins, drawn_weeks
from retreat.planning.standing import OpenCases, open_cases

if TYPE_CHECKING:
    from datetime import date

    import pandas as pd

    from retreat.model import Model
    from retreat.planning.arrivals import Arrivals
    from retreat.planning.second_eyes import SecondEyes

FloatArray = NDArray[np.float64]

HORIZON = 20
# bookings of a case within the time looked at; one more than a year of weekly bookings never happens
MOST_BOOKINGS = 54
# latest cases of the table that stand for the new ones
_LATEST = 150
TINY_MM = 1.0


@dataclass(frozen=True)
class Case:
    """Chance events of one patient: one eye, or two treated on one day.

    Parameters
    ----------
    week : int
        Week of the first booking, 0 the first of the plan; -1 for one that asked before it and still waits.
    is_first : bool
        Whether it asks for a first session.
    needed : tuple of int
        Further sessions of each eye.
    mark : float in [0, 1)
        Order in which new cases are left out, or extra ones added, when referrals change; 0 for open cases.
    is_extra : bool
        Whether it comes only when referrals rise.
    is_slight : bool
        Whether its opacity is a sheet or below 1 mm.
    day : float in [0, 1)
        Place of its day in the week.
    gaps, missed, rebooked : ndarray of float, shape (bookings,)
        Uniform numbers behind the gap, the missing and the new booking after each booking.
    """

    week: int
    is_first: bool
    needed: tuple[int, ...]
    mark: float
    is_extra: bool
    is_slight: bool
    day: float
    gaps: FloatArray = field(repr=False)
    missed: FloatArray = field(repr=False)
    rebooked: FloatArray = field(repr=False)


@dataclass(frozen=True)
class Courses:
    """Chance events of so many runs.

    Parameters
    ----------
    runs : tuple of tuple of Case
        Each run's cases, the open ones first.
    gaps : Gaps
        Weeks between sessions.
    start : date
        Monday of week 1.
    weeks : int
        How far cases are followed.
    """

    runs: tuple[tuple[Case, ...], ...]
    gaps: Gaps
    start: date
    weeks: int


def draw_courses(
    model: Model,
    cases: pd.DataFrame,
    visits: pd.DataFrame | None,
    gaps: Gaps,
    arrivals: Arrivals,
    second_eyes: SecondEyes,
    *,
    today: date,
    weeks: int,
    runs: int,
    both_eyes_same_day: bool = False,
    seed: int = 1,
) -> Courses:
    """Draw the chance events of so many runs.

    Parameters
    ----------
    model : Model
        Saved model.
    cases, visits : DataFrame
        Sound tables; open cases the model refuses must have been left out.
    gaps, arrivals, second_eyes
        Fitted to the tables.
    today : date
        Day on which the tables were closed.
    weeks : int
        How far.
    runs : int, at least 1
        Each takes one draw of the parameters.
    both_eyes_same_day : bool
        Whether two open eyes of a patient come together.
    seed : int
        Seed of everything.
    """
    rng = np.random.default_rng(seed)
    standing = open_cases(cases, gaps, today=today, visits=visits)
    draws = min(runs, model.parameters.n_draws)
    open_pmf = _lengths(model, standing.cases, draws)
    fresh = _fresh(model, cases)
    new_pmf = _lengths(model, fresh, draws)
    slight = (fresh["opacity"] == "sheet").to_numpy() | (fresh["size_mm"] < TINY_MM).to_numpy()
    groups = _patients(standing, both_eyes_same_day)
    found = []
    for r in range(runs):
        events = _Events(rng)
        now = [_open(group, standing, open_pmf[r % draws], events) for group in groups]
        size = arrivals.dispersion[r % len(arrivals.dispersion)]
        base = arrivals.rate[r % len(arrivals.rate)][:weeks]
        chance = second_eyes.chance[r % len(second_eyes.chance), None]
        lag = begins(chance, second_eyes.after_start(weeks))
        for is_extra in (False, True):
            of_first = np.repeat(np.arange(weeks), _counts(base, size, rng))
            later = of_first + drawn_weeks(
                lag, np.zeros(len(of_first), dtype=np.intp), rng.random(len(of_first))
            )
            seconds = later[:0] if is_extra else _of_patients(second_eyes, chance, weeks, rng)
            for week in (*of_first, *later[later < weeks], *seconds):
                which = int(events.one() * len(fresh))
                length = _pick(new_pmf[r % draws, which], events.one())
                now.append(_case(int(week), True, (length,), events, is_extra, bool(slight[which])))
        found.append(tuple(case for case in now if case is not None))
    return Courses(tuple(found), gaps, first_monday(today), weeks)


def _of_patients(
    second_eyes: SecondEyes, chance: FloatArray, weeks: int, rng: np.random.Generator
) -> NDArray[np.int64]:
    """Weeks in which the other eyes of patients already seen begin."""
    spans, patients = second_eyes.groups(weeks)
    group = np.repeat(np.arange(len(patients)), patients)
    drawn = drawn_weeks(begins(chance, spans)[0], group.astype(np.intp), rng.random(len(group)))
    return drawn[drawn < weeks]


class _Events:
    """Uniform numbers handed out in order; drawn in blocks, which is faster."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng
        self._block = rng.random(4096)
        self._place = 0

    def some(self, n: int) -> FloatArray:
        if self._place + n > len(self._block):
            self._block, self._place = self._rng.random(4096), 0
        self._place += n
        return self._block[self._place - n : self._place]

    def one(self) -> float:
        return float(self.some(1)[0])


def _case(
    week: int, is_first: bool, needed: tuple[int, ...], events: _Events, is_extra: bool, is_slight: bool
) -> Case:
    mark, day = (events.one(), events.one()) if is_first else (0.0, events.one())
    gaps, missed, rebooked = (events.some(MOST_BOOKINGS) for _ in range(3))
    return Case(week, is_first, needed, mark, is_extra, is_slight, day, gaps, missed, rebooked)


def _open(group: list[int], standing: OpenCases, pmf: FloatArray, events: _Events) -> Case | None:
    """Events of eyes booked together, the first of them leading; None where they never come back."""
    done = standing.cases["sessions"].to_numpy()
    needed = tuple(_pick(pmf[i], events.one()) - int(done[i]) for i in group)
    lead = group[0]
    week = pick_week(standing.first[int(standing.clock[lead])], events.one())
    if standing.waiting[lead]:
        return _case(-1, True, needed, events, False, False)
    case = _case(0 if week is None else week, False, needed, events, False, False)
    return None if week is None else case


def pick_week(pmf: FloatArray, u: float) -> int | None:
    """Week at which the distribution function passes a uniform number; None beyond its end (never).

    Examples
    --------
    >>> pick_week(np.array([0.0, 0.5, 0.3]), 0.6), pick_week(np.array([0.0, 0.5, 0.3]), 0.9)
    (2, None)
    """
    reached = np.cumsum(pmf)
    return int(np.searchsorted(reached, u, side="right")) if u < reached[-1] - 1e-12 else None


def _pick(pmf: FloatArray, u: float) -> int:
    """Session, from 1, at which a course ends; the last one for a course past it."""
    return min(int(np.searchsorted(np.cumsum(pmf), u, side="right")), len(pmf) - 1) + 1


def _counts(rate: FloatArray, size: float, rng: np.random.Generator) -> NDArray[np.int64]:
    mean = rate if np.isinf(size) else rng.gamma(size, rate / size)
    return rng.poisson(mean)


def _lengths(model: Model, cases: pd.DataFrame, draws: int) -> FloatArray:
    """Chance of ending at each session, any end, shape (draws, cases, sessions)."""
    if cases.empty:
        return np.zeros((draws, 0, HORIZON))
    longest = max(HORIZON, min(int(cases["sessions"].max()) + HORIZON, 40))
    return model.forecast(cases, horizon=longest, draws=draws).pmf.sum(axis=2)


def _fresh(model: Model, cases: pd.DataFrame) -> pd.DataFrame:
    """Latest cases the model does not refuse, as if they had not begun: they stand for new ones."""
    latest = cases[cases["sessions"] > 0].sort_values(["started", "case"]).tail(_LATEST)
    fresh = latest.assign(sessions=0, ending="ongoing", stop_reason="not_applicable").reset_index(drop=True)
    inside = [not one.refusals for one in model.support_of(fresh)]
    return fresh[inside].reset_index(drop=True)


def _patients(standing: OpenCases, both_eyes_same_day: bool) -> list[list[int]]:
    """Eyes treated together, the one whose days the others follow first."""
    groups = {i: [i] for i in range(len(standing.cases))}
    if both_eyes_same_day:
        for follows, lead in enumerate(standing.leaders().tolist()):
            if lead >= 0:
                groups[lead].append(groups.pop(follows)[0])
    return list(groups.values())
