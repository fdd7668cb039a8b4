"""The other eye of a patient: how often it follows the first, and after how many weeks."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from retreat.planning.dates import (
    NO_DATE,
    check_not_later,
    day_number,
    first_monday,
    last_whole_week,
    start_days,
)

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# two eyes treated further apart are two complaints (our judgement): they count among the new starts
SECOND_EYE_WEEKS = 104
# weeks since the first eye within which the chance a week is taken as constant (our judgement): the same week, then
# spans that grow longer; the last entry ends the last span. Wide spans keep promising what came at their beginning to
# patients who are already past it
EDGES = (0, 1, 3, 5, 9, 14, 20, 27, 40, 65, SECOND_EYE_WEEKS)
# a span in which fewer patient-weeks were seen shares the chance of the one before it (our judgement)
_LEAST_WEEKS = 52
# second eyes the prior is worth in each span: half of one in all of them
_PRIOR_EVENTS = 0.5 / (len(EDGES) - 1)


@dataclass(frozen=True)
class SecondEyes:
    """How often, and how long after the first, the other eye of a patient follows.

    Parameters
    ----------
    chance : ndarray of float, shape (draws, spans), in [0, 1)
        Chance that the other eye begins in a calendar week, given that it has not yet, by the spans of `EDGES` of
        weeks since the first eye began; one draw is one plausible value. 0 past the last.
    elapsed : ndarray of int, shape (patients,), at least 0
        For each patient with one eye begun and the other not, calendar weeks from that start to week 1 of the plan;
        0 for one who waits for the first session of the first eye.
    n_events : int
        Second eyes it was learned from.
    patient_weeks : float
        Over how many patient-weeks.
    """

    chance: FloatArray
    elapsed: IntArray = field(repr=False)
    n_events: int = 0
    patient_weeks: float = 0.0

    def __post_init__(self) -> None:
        if self.chance.ndim != 2 or self.chance.shape[1] != len(EDGES) - 1:
            raise ValueError(f"chance needs one column a span: {len(EDGES) - 1}")
        if not ((self.chance >= 0) & (self.chance < 1)).all():
            raise ValueError("chances lie in [0, 1)")
        if self.elapsed.ndim != 1 or (self.elapsed < 0).any():
            raise ValueError("elapsed weeks are whole numbers from 0")

    @classmethod
    def none(cls) -> SecondEyes:
        """No second eyes at all."""
        return cls(np.zeros((1, len(EDGES) - 1)), np.zeros(0, dtype=np.int64))

    @property
    def eligible(self) -> int:
        """Patients who may still bring another eye."""
        return int((self.elapsed < SECOND_EYE_WEEKS).sum())

    def after_start(self, weeks: int) -> IntArray:
        """Spans that a patient passes through in the weeks from the first eye's start, shape (weeks,)."""
        return _spans(np.arange(weeks))

    def groups(self, weeks: int) -> tuple[IntArray, IntArray]:
        """Patients who pass through the same spans in the weeks ahead.

        Returns
        -------
        ndarray of int, shape (groups, weeks)
            Span of each week; the number of spans once a patient has left the window.
        ndarray of int, shape (groups,)
            Patients.
        """
        inside = self.elapsed[self.elapsed < SECOND_EYE_WEEKS]
        passed = _spans(inside[:, None] + np.arange(weeks))
        spans, patients = np.unique(passed, axis=0, return_counts=True)
        return spans.astype(np.int64).reshape(-1, weeks), patients.astype(np.int64)

    def mean_begun(self, weeks: int) -> FloatArray:
        """Mean other eyes that begin of the patients already seen, shape (weeks,)."""
        spans, patients = self.groups(weeks)
        return np.asarray(np.einsum("g,dgw->w", patients, begins(self.chance, spans)) / len(self.chance))


def begins(chance: FloatArray, spans: IntArray) -> FloatArray:
    """Chance that the other eye begins in each week, once only.

    Parameters
    ----------
    chance : ndarray of float, shape (draws, spans)
        Of :class:`SecondEyes`.
    spans : ndarray of int, shape (..., weeks)
        Spans passed through.

    Returns
    -------
    ndarray of float, shape (draws, ..., weeks)
        Adds to at most 1 over weeks.

    Examples
    --------
    >>> half = np.full((1, 10), 0.5)
    >>> begins(half, np.array([8, 9, 10])).tolist()
    [[0.5, 0.25, 0.0]]
    """
    of_week = np.concatenate([chance, np.zeros((len(chance), 1))], axis=1)[:, spans]
    not_yet = np.cumprod(1.0 - of_week, axis=-1)
    before = np.concatenate([np.ones_like(not_yet[..., :1]), not_yet[..., :-1]], axis=-1)
    return np.asarray(of_week * before)


def drawn_weeks(chances: FloatArray, row: NDArray[np.intp], u: FloatArray) -> IntArray:
    """Week at which each distribution function passes a uniform number; the number of weeks where it does not.

    Parameters
    ----------
    chances : ndarray of float, shape (rows, weeks)
        Of :func:`begins`.
    row : ndarray of int, shape (n,)
        Which row each follows.
    u : ndarray of float, shape (n,)
        Uniform numbers.
    """
    reached = np.cumsum(chances, axis=1)
    weeks = chances.shape[1]
    found = np.full(len(u), weeks, dtype=np.int64)
    comes = np.flatnonzero(u < reached[row, -1]) if weeks else np.zeros(0, dtype=np.intp)
    found[comes] = (u[comes, None] >= reached[row[comes]]).sum(axis=1)
    return found


def first_starts(cases: pd.DataFrame) -> IntArray:
    """Day numbers of the starts that count as new: all but second eyes within 104 weeks of the first.

    Parameters
    ----------
    cases : DataFrame
        The typed `cases`.

    Returns
    -------
    ndarray of int, shape (starts,)
        Sorted. With the second eyes of :func:`fit_second_eyes` they are all cases begun.

    Raises
    ------
    FitError
        If a start bears only a year.
    """
    start = start_days(cases)
    _, later = _seconds(cases, start)
    new = start != NO_DATE
    new[later[_is_second(cases, start)]] = False
    return np.sort(start[new])


def fit_second_eyes(cases: pd.DataFrame, *, today: date, draws: int = 1000, seed: int = 1) -> SecondEyes:
    """Chance a week of the other eye by the weeks since the first, and how long each patient has been waited for.

    A hazard in discrete time, constant within the spans of `EDGES`; first eyes without another are censored at the
    last whole week, after 104 weeks, or when the same eye returns. The doubt is a beta posterior in each span under
    priors at the mean of all spans that are worth half a second eye together. A span with fewer than 52 patient-weeks
    shares the chance of the one before it.

    Parameters
    ----------
    cases : DataFrame
        The typed `cases`.
    today : date
        Day on which the tables were closed.
    draws : int
        Draws of the chances.
    seed : int
        Of the draws.

    Raises
    ------
    FitError
        If a start bears only a year, or lies after today.
    """
    start = start_days(cases)
    check_not_later(start, today, where="started")
    first, later = _seconds(cases, start)
    seen_to, begin = last_whole_week(today), day_number(first_monday(today)) // 7
    week = start // 7
    second = _is_second(cases, start)
    apart = np.where(later >= 0, week[later] - week[first], SECOND_EYE_WEEKS)
    seen = np.maximum(seen_to - week[first] + 1, 0)  # whole weeks, that of the start included
    second &= apart < seen
    at_risk = np.minimum(np.minimum(apart + second, seen), SECOND_EYE_WEEKS)
    edges = np.array(EDGES)
    exposed = np.clip(np.minimum(at_risk[:, None], edges[1:]) - edges[:-1], 0, None).sum(axis=0)
    events = np.bincount(_spans(apart[second]), minlength=len(EDGES) - 1)[: len(EDGES) - 1]
    elapsed = np.concatenate([begin - week[first][later < 0], np.zeros(0, dtype=np.int64)])
    elapsed = elapsed[~_waits(cases, cases["patient"].to_numpy(dtype=object)[first[later < 0]])]
    elapsed = np.r_[elapsed, np.zeros(_first_to_come(cases, start), dtype=np.int64)]
    elapsed = np.sort(elapsed[elapsed < SECOND_EYE_WEEKS])
    if not exposed.sum():
        return SecondEyes(np.zeros((1, len(EDGES) - 1)), elapsed)
    rng = np.random.default_rng([seed, 52])
    chance = _posterior(events, exposed, draws, rng)
    return SecondEyes(chance, elapsed, int(events.sum()), float(exposed.sum()))


def _posterior(events: IntArray, exposed: IntArray, draws: int, rng: np.random.Generator) -> FloatArray:
    """Draws of the chance a week in each span, (draws, spans)."""
    overall = rng.beta(events.sum() + 0.5, exposed.sum() - events.sum() + 0.5, draws)
    overall = np.clip(overall, 1e-9, 0.99)
    shared = _shared_spans(exposed)
    out = np.empty((draws, len(exposed)))
    for group in np.unique(shared):
        seen, weeks = events[shared == group].sum(), exposed[shared == group].sum()
        against = weeks - seen + _PRIOR_EVENTS * (1.0 - overall) / overall
        out[:, shared == group] = rng.beta(seen + _PRIOR_EVENTS, against)[:, None]
    return np.clip(out, 0.0, 1.0 - 1e-9)


def _shared_spans(exposed: IntArray) -> IntArray:
    """Number of the group of each span; one with little to learn from goes with the one before.

    Examples
    --------
    >>> _shared_spans(np.array([60, 90, 700, 20, 0])).tolist(), _shared_spans(np.array([9, 30, 80, 90, 0])).tolist()
    ([0, 1, 2, 2, 2], [0, 0, 0, 1, 1])
    """
    group, so_far, out = 0, 0, []
    for weeks in exposed.tolist():
        if so_far >= _LEAST_WEEKS and weeks >= _LEAST_WEEKS:
            group, so_far = group + 1, 0
        so_far += weeks
        out.append(group)
    return np.array(out)


def _spans(elapsed: IntArray) -> IntArray:
    return np.asarray(np.searchsorted(np.array(EDGES), elapsed, side="right") - 1)


def _seconds(cases: pd.DataFrame, start: IntArray) -> tuple[IntArray, IntArray]:
    """Row of each patient's first case, and of the case after it, -1 where there is none."""
    patient = np.unique(cases["patient"].to_numpy(dtype=object), return_inverse=True)[1]
    key = np.unique(cases["case"].to_numpy(dtype=object), return_inverse=True)[1]
    order = np.lexsort((key, start, patient))
    order = order[start[order] != NO_DATE]
    begin = np.ones(len(order), dtype=bool)
    begin[1:] = patient[order][1:] != patient[order][:-1]
    place = np.flatnonzero(begin)
    follows = np.r_[~begin[1:], False][place] if len(order) else np.zeros(0, dtype=bool)
    later = np.full(len(place), -1, dtype=np.int64)
    later[follows] = order[place[follows] + 1]
    return order[place].astype(np.int64), later


def _is_second(cases: pd.DataFrame, start: IntArray) -> NDArray[np.bool_]:
    """Whether the case after each patient's first is the other eye, in time; aligned with :func:`_seconds`."""
    first, later = _seconds(cases, start)
    eye = cases["eye"].to_numpy(dtype=object)
    in_time = start[later] // 7 - start[first] // 7 < SECOND_EYE_WEEKS
    return np.asarray((later >= 0) & in_time & (eye[later] != eye[first]), dtype=bool)


def _waits(cases: pd.DataFrame, patients: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Whether each patient is known to wait for the first session of another eye."""
    waiting = set(cases.loc[_not_begun(cases), "patient"])
    return np.array([one in waiting for one in patients], dtype=bool)


def _first_to_come(cases: pd.DataFrame, start: IntArray) -> int:
    """Patients who wait for their first session at all, with one eye."""
    waiting = cases.loc[_not_begun(cases), "patient"].value_counts()
    begun = set(cases["patient"].to_numpy(dtype=object)[start != NO_DATE])
    return sum(n == 1 and one not in begun for one, n in waiting.items())


def _not_begun(cases: pd.DataFrame) -> NDArray[np.bool_]:
    return np.asarray((cases["ending"].eq("ongoing") & cases["sessions"].eq(0)).to_numpy(dtype=bool))
