"""The gaps of a clinic, learned from the days of its visits, with the doubt about them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.planning.dates import NO_DATE, check_not_later, last_whole_week, visit_days
from retreat.planning.gaps import REBOOKED, Gaps
from retreat.planning.settling import LEAST_AT_RISK, USUAL_LARGEST, Tail, settled, tail_of
from retreat.planning.timetable import renewals

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# fewest gaps for a fit of the clinic's own (our judgement: the share that returns is otherwise noise)
_LEAST_GAPS = 10
# fewest bookings after a missed one for a law of their own (our judgement)
_LEAST_REBOOKED = 5
# laws drawn, and those kept of them
_DRAWN, _KEPT = 64, 8
_QUARTER = 14  # the week of the session and 13 more
# cases not back when too few are watched: from this share on the reader is told
_TOLD = 0.02


def fit_gaps(
    cases: pd.DataFrame, visits: pd.DataFrame, *, today: date, max_weeks: int = 26, seed: int = 1
) -> Gaps:
    """Gaps of a clinic's own visits, those still open counted as far as they were seen.

    The product-limit estimate (Kaplan and Meier 1958) of the calendar weeks from an attended session to the
    next booking, attended or missed. A case that ended needs no further booking and is not at risk after its
    last session; an ongoing one is censored at the last whole week before today. What has not come back after
    `max_weeks` counts as lost: the share that returns is 1 less the height at which the curve has settled
    (Maller and Zhou 1992, from memory). From the first week with fewer than five cases under watch the curve is not
    moved week by week: of those not back by then the share seen to return counts, with a prior worth one that returns
    and one that does not; where that is within the usual longest wait, it is noted. Weekdays are taken from the dates
    themselves.

    The doubt is that of the Bayesian bootstrap (Rubin 1981, from memory) over whole cases, whose gaps may be alike:
    64 laws are drawn, put in order of the bookings they bring in a quarter, and eight evenly spaced ones kept.

    Parameters
    ----------
    cases, visits : DataFrame
        The typed tables.
    today : date
        Day on which the tables were closed.
    max_weeks : int, 4 to 104
        Longest gap counted as a return.
    seed : int
        Of the plausible laws.

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
    notes = []
    tails = tail_of(*after_session, max_weeks), tail_of(*after_missed, max_weeks)
    found = _law(pairs, max_weeks, tails)
    if (tail := tails[0]) is not None and tail.begin <= USUAL_LARGEST:
        left = 1.0 - float(product_limit(*after_session, max_weeks)[: tail.begin].sum())
        if left > _TOLD:
            notes.append(
                f"fewer than {LEAST_AT_RISK} cases were watched for {tail.begin} weeks or longer, when "
                f"{100 * left:.0f}% were not back: how many of these return is not known, and {100 * tail.share:.0f}% "
                "were taken to"
            )
    if after_missed[1].sum() < _LEAST_REBOOKED:
        notes.append("too few missed bookings were seen: the next was taken to follow in one to three weeks")
    n_censored = int((~after_session[1]).sum())
    return replace(
        found,
        n_gaps=n_gaps,
        n_censored=n_censored,
        notes=tuple(notes),
        plausible=_plausible(pairs, max_weeks, tails, seed),
    )


_Tails = tuple[Tail | None, Tail | None]


def _law(
    pairs: Bookings, max_weeks: int, tails: _Tails, weight: FloatArray | None = None,
    rng: np.random.Generator | None = None,
) -> Gaps:  # fmt: skip
    """The law of the pairs, each case counting by its weight, what is unsure of the tails drawn where told how."""
    of_pair = np.ones(len(pairs.weeks)) if weight is None else weight[pairs.case]
    of_case = np.ones(len(pairs.booked)) if weight is None else weight
    pmf, rebooked = (
        settled(
            product_limit(pairs.weeks[kind], pairs.followed[kind], max_weeks, of_pair[kind]),
            tail,
            None if rng is None or tail is None else tail.drawn_share(rng),
        )
        for kind, tail in zip((~pairs.missed, pairs.missed), tails, strict=True)
    )
    if pairs.followed[pairs.missed].sum() < _LEAST_REBOOKED:
        rebooked = np.array(REBOOKED) * pmf.sum()
    booked = float(of_case @ pairs.booked)
    missed = float(of_case @ pairs.absent) / booked if booked else 0.0
    return Gaps(pmf, float(pmf.sum()), missed, rebooked)


def _plausible(pairs: Bookings, max_weeks: int, tails: _Tails, seed: int) -> tuple[Gaps, ...]:
    rng = np.random.default_rng([seed, 55])
    drawn = [
        _law(pairs, max_weeks, tails, rng.exponential(size=len(pairs.booked)), rng) for _ in range(_DRAWN)
    ]
    order = np.argsort([_pace(law) for law in drawn], kind="stable")
    return tuple(drawn[order[k]] for k in (np.arange(_KEPT) * 2 + 1) * _DRAWN // (2 * _KEPT))


def _pace(law: Gaps) -> float:
    """Bookings in the quarter after a session, as long as another session is needed."""
    after = np.zeros(max(len(law.pmf), len(law.rebooked), _QUARTER))
    after[: len(law.pmf)] += (1.0 - law.missed) * law.pmf
    after[: len(law.rebooked)] += law.missed * law.rebooked
    return float(renewals(after[:_QUARTER]).sum())


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
    case : ndarray of int, shape (bookings,)
        Number of the case, in the order of the keys.
    booked, absent : ndarray of int, shape (cases,)
        Bookings of each case for sessions after the first, and how many of them were missed.
    """

    weeks: IntArray
    followed: NDArray[np.bool_]
    missed: NDArray[np.bool_]
    case: IntArray
    booked: IntArray
    absent: IntArray


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
    keys = cases["case"].tolist()
    place = {key: i for i, key in enumerate(keys)}
    code = visits["case"].map(place).fillna(-1).to_numpy(dtype=np.int64)
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
    number = np.empty(len(keys), dtype=np.int64)  # by the keys, so that the order of rows does not matter
    number[sorted(range(len(keys)), key=keys.__getitem__)] = np.arange(len(keys))
    code = number[code]
    booked = np.bincount(code[later], minlength=len(keys))
    absent = np.bincount(code[later & missed], minlength=len(keys))
    return Bookings(weeks[kept], in_time[kept], missed[kept], code[kept], booked, absent)


def product_limit(
    weeks: IntArray, followed: NDArray[np.bool_], max_weeks: int, weight: FloatArray | None = None
) -> FloatArray:
    """Chance of the event in each week 0 to `max_weeks`, from times censored after the week they name.

    Parameters
    ----------
    weeks : ndarray of int, shape (n,), at least 0
        Week of the event, or last week seen without it.
    followed : ndarray of bool, shape (n,)
        Whether the event was seen.
    max_weeks : int
        Last week of the answer.
    weight : ndarray of float, shape (n,), optional
        How much each counts; 1 by default.

    Returns
    -------
    ndarray of float, shape (max_weeks + 1,)
        Adds to at most 1.

    Examples
    --------
    >>> product_limit(np.array([1, 2, 1]), np.array([True, True, False]), 3).round(3).tolist()
    [0.0, 0.333, 0.667, 0.0]
    """
    weight = np.ones(len(weeks)) if weight is None else weight
    capped = np.minimum(weeks, max_weeks + 1)
    events = np.bincount(capped[followed], weight[followed], max_weeks + 2)[: max_weeks + 1]
    all_by_week = np.bincount(capped, weight, max_weeks + 2)
    at_risk = np.cumsum(all_by_week[::-1])[::-1][: max_weeks + 1]
    hazard = np.divide(events, at_risk, out=np.zeros(max_weeks + 1), where=at_risk > 0)
    hazard = np.minimum(hazard, 1.0)
    before = np.r_[1.0, np.cumprod(1.0 - hazard)[:-1]]
    return np.asarray(hazard * before)
