"""Weeks from a session to the next booking, and how often a booking is missed, from the days of the visits."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.planning.dates import NO_DATE, check_not_later, last_whole_week, visit_days

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# weeks from a missed booking to the next where none was seen: one to three, equally likely (common practice)
_REBOOKED = (0.0, 1 / 3, 1 / 3, 1 / 3)
# fewest gaps for a fit of the clinic's own (our judgement: the share that returns is otherwise noise)
_LEAST_GAPS = 10


@dataclass(frozen=True)
class Gaps:
    """When the next booking follows, in calendar weeks, Monday to Sunday.

    Parameters
    ----------
    pmf : ndarray of float, shape (weeks,)
        Chance that the next booking falls so many weeks after an attended session, given that one is needed;
        entry 0 is the same week and is 0 (a second booking in the week of a session counts as the week after).
        Adds to `returning`.
    returning : float in [0, 1]
        Share that is ever booked again though in treatment; the rest is lost to follow-up.
    missed : float in [0, 1)
        Chance that a booking is missed. It uses its slot.
    rebooked : ndarray of float, shape (weeks,)
        Chance that the booking after a missed one falls so many weeks later, from index 1; adds to the share
        that is booked again after missing.
    n_gaps, n_censored : int
        Gaps seen, and gaps still open when the tables were closed.
    assumed : bool
        Whether the user gave the gap, so that nothing was learned from visits.

    Examples
    --------
    >>> gaps = assumed_gaps(4.0)
    >>> gaps.pmf.tolist(), gaps.returning
    ([0.0, 0.0, 0.0, 0.25, 0.5, 0.25], 1.0)
    >>> gaps.after(5).tolist()
    [1.0]
    """

    pmf: FloatArray
    returning: float
    missed: float
    rebooked: FloatArray
    n_gaps: int = 0
    n_censored: int = 0
    assumed: bool = False
    notes: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        for name, values in (("pmf", self.pmf), ("rebooked", self.rebooked)):
            if values.ndim != 1 or (values < 0).any() or values.sum() > 1 + 1e-9 or values[0] != 0.0:
                raise ValueError(f"{name} needs chances by week that add to at most 1, none in week 0")
        if not np.isclose(self.pmf.sum(), self.returning):
            raise ValueError("pmf must add to returning")
        if not 0.0 <= self.missed < 1.0:
            raise ValueError(f"missed {self.missed!r} must lie in [0, 1)")

    def after(self, elapsed_weeks: int) -> FloatArray:
        """Chance that the next booking falls so many weeks from now, given none in the weeks before.

        Parameters
        ----------
        elapsed_weeks : int, 0 or more
            Whole calendar weeks since the last session: 1 in the week after it. The week now begun (entry 0 of
            the answer) is the first in which a booking may fall.

        Returns
        -------
        ndarray of float, shape (weeks,)
            Adds to the share of such cases that ever come back; all 0 where none would so late.
        """
        return _given_not_yet(self.pmf, elapsed_weeks)

    def after_missed(self, elapsed_weeks: int) -> FloatArray:
        """As :meth:`after`, from a missed booking that nothing has followed."""
        return _given_not_yet(self.rebooked, elapsed_weeks)

    @property
    def mean_weeks(self) -> float:
        """Mean weeks to the next booking among those who return; NaN where nobody does."""
        return float(self.pmf @ np.arange(len(self.pmf)) / self.returning) if self.returning else float("nan")


def _given_not_yet(pmf: FloatArray, elapsed: int) -> FloatArray:
    if elapsed < 0:
        raise ValueError(f"elapsed weeks {elapsed!r} must be 0 or more")
    later = pmf[elapsed:]
    still = 1.0 - pmf[:elapsed].sum()
    return later / still if later.size and still > 1e-12 else np.zeros(1)


def assumed_gaps(weeks: float, *, missed: float = 0.0) -> Gaps:
    """Gaps where no visits tell of them: everyone returns after about so many weeks.

    Half of the bookings fall after the weeks given, a quarter each a week earlier and later (our judgement: a
    diary is never exact), never in the week of the session itself.

    Parameters
    ----------
    weeks : float, 1 to 52
        Mean weeks from a session to the next booking; a part of a week is split between the two whole weeks.
    missed : float in [0, 1)
        Chance that a booking is missed.

    Raises
    ------
    FitError
        If a value is out of range.

    Examples
    --------
    >>> assumed_gaps(2.5).pmf.tolist()
    [0.0, 0.125, 0.375, 0.375, 0.125]
    """
    if not 1.0 <= weeks <= 52.0:
        raise FitError(Fault("gap_weeks", f"{weeks!r}", "1 to 52 weeks between sessions"))
    if not 0.0 <= missed < 1.0:
        raise FitError(Fault("missed", f"{missed!r}", "a share of bookings, at least 0 and below 1"))
    whole = int(np.floor(weeks))
    pmf = np.zeros(whole + 3)
    for shift, share in ((-1, 0.25), (0, 0.5), (1, 0.25)):
        pmf[max(1, whole + shift)] += share * (1.0 - (weeks - whole))
        pmf[max(1, whole + shift + 1)] += share * (weeks - whole)
    pmf = np.trim_zeros(pmf, "b")
    told = f"the gap of {weeks:g} weeks was assumed, not learned from visits"
    return Gaps(pmf, 1.0, missed, np.array(_REBOOKED), assumed=True, notes=(told,))


def fit_gaps(cases: pd.DataFrame, visits: pd.DataFrame, *, today: date, max_weeks: int = 26) -> Gaps:
    """Gaps of a clinic's own visits, those still open counted as far as they were seen.

    The product-limit estimate (Kaplan and Meier 1958) of the calendar weeks from an attended session to the
    next booking, attended or missed. A case that ended needs no further booking and is not at risk after its
    last session; an ongoing one is censored at the last whole week before today. What has not come back after
    `max_weeks` counts as lost: the share that returns is 1 less the height at which the curve has settled
    (Maller and Zhou 1992, from memory). Weekdays are taken from the dates themselves.

    Parameters
    ----------
    cases, visits : DataFrame
        The typed tables.
    today : date
        Day on which the tables were closed.
    max_weeks : int, 4 to 104
        Longest gap counted as a return.

    Returns
    -------
    Gaps
        Where no missed booking was seen to be followed by another, one to three weeks are assumed for it, and
        noted.

    Raises
    ------
    FitError
        If fewer than 10 gaps were seen, dates lie after today, or a start bears only a year.

    Examples
    --------
    >>> import pandas as pd
    >>> keys = [f"c{i}" for i in range(12)]
    >>> cases = pd.DataFrame({"case": keys, "started": "2026-01-05", "sessions": 2, "ending": "relieved"})
    >>> visits = pd.DataFrame({"case": keys * 2, "session": [1] * 12 + [2] * 12, "day": [0.0] * 12 + [21.0] * 12,
    ...                        "missed": "no"})
    >>> fit_gaps(cases, visits, today=date(2026, 6, 1)).pmf[:5].tolist()
    [0.0, 0.0, 0.0, 1.0, 0.0]
    """
    if not 4 <= max_weeks <= 104:
        raise FitError(Fault("max_weeks", f"{max_weeks!r}", "4 to 104 weeks"))
    pairs = bookings(cases, visits, today=today)
    after_session = pairs.weeks[~pairs.missed], pairs.followed[~pairs.missed]
    after_missed = pairs.weeks[pairs.missed], pairs.followed[pairs.missed]
    n_gaps = int(after_session[1].sum())
    if n_gaps < _LEAST_GAPS:
        what = f"{n_gaps} gaps between a session and the next"
        fix = "give the usual weeks between sessions (gap_weeks); the plan then marks them as assumed"
        raise FitError(Fault("visits", what, f"at least {_LEAST_GAPS}", fix, column="day"))
    pmf = product_limit(*after_session, max_weeks)
    notes = []
    at_risk_late = int((after_session[0] >= max_weeks // 2).sum())
    if pmf.sum() < 0.999 and at_risk_late < _LEAST_GAPS:
        notes.append("the tables are young: the share that never comes back is unsure")
    if after_missed[1].sum() >= 5:
        rebooked = product_limit(*after_missed, max_weeks)
    else:
        rebooked = np.array(_REBOOKED) * pmf.sum()
        notes.append("too few missed bookings were seen: the next was taken to follow in one to three weeks")
    missed = pairs.n_missed / max(1, pairs.n_bookings)
    n_censored = int((~after_session[1]).sum())
    return Gaps(pmf, float(pmf.sum()), missed, rebooked, n_gaps, n_censored, notes=tuple(notes))


@dataclass(frozen=True)
class Bookings:
    """Every booking that another was to follow: weeks to it, or weeks seen without one.

    Parameters
    ----------
    weeks : ndarray of int, shape (bookings,)
        Calendar weeks to the next booking, at least 1; whole weeks seen without one where none followed.
    followed : ndarray of bool, shape (bookings,)
        Whether the next was seen.
    missed : ndarray of bool, shape (bookings,)
        Whether the earlier one was itself missed.
    n_bookings, n_missed : int
        Bookings of sessions after the first, and how many of them were missed.
    """

    weeks: IntArray
    followed: NDArray[np.bool_]
    missed: NDArray[np.bool_]
    n_bookings: int
    n_missed: int


def bookings(cases: pd.DataFrame, visits: pd.DataFrame, *, today: date) -> Bookings:
    """Pairs of a booking and the one after it.

    Raises
    ------
    FitError
        If dates lie after today, or a start bears only a year.
    """
    day = visit_days(cases, visits)
    check_not_later(day, today, where="visits")
    known = day != NO_DATE
    code = (
        visits["case"]
        .map({key: i for i, key in enumerate(cases["case"])})
        .fillna(-1)
        .to_numpy(dtype=np.int64)
    )
    session = visits["session"].to_numpy(dtype=np.int64)
    missed = visits["missed"].eq("yes").to_numpy(dtype=bool)
    order = np.lexsort((~missed, session, code))
    order = order[(code[order] >= 0)]
    code, session, missed, known = code[order], session[order], missed[order], known[order]
    week = day[order] // 7
    last = np.r_[code[1:] != code[:-1], True] if len(code) else np.zeros(0, dtype=bool)
    open_case = cases["ending"].eq("ongoing").to_numpy(dtype=bool)[code]
    seen_to = last_whole_week(today)
    following = np.r_[week[1:], 0][: len(week)]
    follows = ~last & known & np.r_[known[1:], False][: len(known)]
    gap = np.maximum(1, following - week)
    # a booking of the week now running is not counted: those that did not book in it have not been seen to its end
    in_time = follows & (following <= seen_to)
    kept = (follows | (last & open_case & known)) & (week < seen_to)
    weeks = np.where(in_time, gap, seen_to - week)
    later = session > 1
    return Bookings(weeks[kept], in_time[kept], missed[kept], int(later.sum()), int((later & missed).sum()))


def product_limit(weeks: IntArray, followed: NDArray[np.bool_], max_weeks: int) -> FloatArray:
    """Chance of the event in each week 0 to `max_weeks`, from times censored after the week they name.

    Parameters
    ----------
    weeks : ndarray of int, shape (n,), at least 0
        Week of the event, or last week seen without it.
    followed : ndarray of bool, shape (n,)
        Whether the event was seen.
    max_weeks : int
        Last week of the answer.

    Returns
    -------
    ndarray of float, shape (max_weeks + 1,)
        Adds to at most 1.

    Examples
    --------
    >>> product_limit(np.array([1, 2, 1]), np.array([True, True, False]), 3).round(3).tolist()
    [0.0, 0.333, 0.667, 0.0]
    """
    capped = np.minimum(weeks, max_weeks + 1)
    events = np.bincount(capped[followed], minlength=max_weeks + 2)[: max_weeks + 1]
    all_by_week = np.bincount(capped, minlength=max_weeks + 2)
    at_risk = len(weeks) - np.r_[0, np.cumsum(all_by_week)[:max_weeks]]
    hazard = np.divide(events, at_risk, out=np.zeros(max_weeks + 1), where=at_risk > 0)
    before = np.r_[1.0, np.cumprod(1.0 - hazard)[:-1]]
    return np.asarray(hazard * before)
