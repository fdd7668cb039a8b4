"""New patients: first-eye starts a week, learned from the clinic's own dates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.planning.arrival_rates import RateLaw, fitted_law
from retreat.planning.dates import check_not_later, day_number, first_monday, last_whole_week
from retreat.planning.second_eyes import (
    SECOND_EYE_WEEKS,
    SecondEyes,
    begins,
    first_starts,
    fit_second_eyes,
)

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

__all__ = ["Arrivals", "SecondEyes", "first_starts", "fit_arrivals", "fit_second_eyes"]

# weeks of the past that tell of the weeks ahead (our judgement): older ones tell of another practice
_WINDOW = 156
_QUARTER = 13
# hidden second eyes fewer than one start in so many make no difference worth two fits
_LEAST_HIDDEN = 0.005


@dataclass(frozen=True)
class Arrivals:
    """New starts expected in each week ahead, with the doubt about their rate.

    Parameters
    ----------
    rate : ndarray of float, shape (draws, weeks)
        Mean new starts of a week; one draw is one plausible value of the parameters.
    dispersion : ndarray of float, shape (draws,)
        Size of the negative binomial (variance = mean + mean^2 / size); infinite where starts are Poisson.
    trend, season : bool
        Whether the rate follows a trend, or the season of the year.
    n_starts, n_weeks : int
        What it was learned from.
    notes : tuple of str
        What the reader must know.
    """

    rate: FloatArray
    dispersion: FloatArray
    trend: bool = False
    season: bool = False
    n_starts: int = 0
    n_weeks: int = 0
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.rate.ndim != 2 or self.dispersion.shape != (len(self.rate),):
            raise ValueError("rate needs the shape (draws, weeks), dispersion one value a draw")
        if not np.isfinite(self.rate).all() or (self.rate < 0).any() or not (self.dispersion > 0).all():
            raise ValueError("rates are at least 0 and finite, dispersions above 0")

    @property
    def weeks(self) -> int:
        """Weeks ahead."""
        return int(self.rate.shape[1])

    def check_reaches(self, weeks: int) -> None:
        """Refuse a plan that looks further ahead than the arrivals.

        Raises
        ------
        FitError
            If they do not reach so many weeks.
        """
        if self.weeks < weeks:
            raise FitError(
                Fault("arrivals", f"{self.weeks} weeks ahead", f"at least the {weeks} of the plan")
            )

    @property
    def is_poisson(self) -> bool:
        """Whether starts spread as a Poisson count."""
        return bool(np.isinf(self.dispersion).all())

    def scaled(self, factor: float) -> Arrivals:
        """The same with all rates multiplied, for a what-if."""
        return replace(self, rate=self.rate * factor)

    @classmethod
    def none(cls, weeks: int) -> Arrivals:
        """No new starts at all."""
        return cls(np.zeros((1, weeks)), np.full(1, np.inf))


def fit_arrivals(
    starts: Sequence[date] | IntArray,
    *,
    today: date,
    weeks: int,
    second_eyes: SecondEyes | None = None,
    draws: int = 1000,
    seed: int = 1,
) -> Arrivals:
    """New starts a week ahead, from the weekly counts of the last three years.

    Poisson, or negative binomial where a likelihood-ratio test at the edge of its range finds more spread at
    the 5% level (Self and Liang 1987, from memory). A trend and a yearly season (one sine and cosine) enter
    only where at least 104 weeks are seen and each is supported at the 1% level by its likelihood ratio and
    lowers Akaike's criterion. The doubt about the parameters is the normal approximation to the likelihood; that
    about a constant rate is its posterior under the prior of Jeffreys, which holds for few starts too. Where the
    starts are too erratic for a fit, a constant rate with as wide a spread as they show is taken, and noted.

    A table that begins in a practice already at work hides the first eyes before it: their other eyes pass for new
    starts, fewer of them each week, and a constant practice seems to shrink. Whether the practice or only the table
    began in the first week is not known. So both are fitted, and draws shared between them by Akaike weights (Burnham
    and Anderson 2002, from memory).

    Parameters
    ----------
    starts : sequence of date, or ndarray of int
        Day of each new start: dates, or day numbers of :func:`first_starts`.
    today : date
        Day on which the tables were closed.
    weeks : int, 1 to 104
        Weeks ahead, the first beginning on the Monday on or after `today`.
    second_eyes : SecondEyes, optional
        How soon other eyes follow; without it no first eye is taken to be hidden.
    draws : int
        Draws of the parameters.
    seed : int
        Of the draws.

    Returns
    -------
    Arrivals
        Noted where the last 13 weeks saw no start.

    Raises
    ------
    FitError
        If there are no starts, fewer than four whole weeks, dates after today, or `weeks` is out of range.

    Examples
    --------
    >>> starts = [date.fromordinal(date(2026, 1, 5).toordinal() + 7 * w) for w in range(40)]
    >>> found = fit_arrivals(starts, today=date(2026, 10, 9), weeks=4, draws=2000)
    >>> found.is_poisson, found.n_starts, found.n_weeks
    (True, 39, 39)
    """
    if not 1 <= weeks <= 104:
        raise FitError(Fault("weeks", f"{weeks!r}", "1 to 104 weeks ahead"))
    days = _day_numbers(starts)
    if not len(days):
        raise FitError(Fault("started", "no new start", "at least one dated start"))
    check_not_later(days, today, where="started")
    last = last_whole_week(today)
    # the week of the very first start is left out: it was chosen for having one
    first = max(int(days.min()) // 7 + 1, last - _WINDOW + 1)
    if last - first < 3:
        what = f"{max(0, last - first + 1)} whole weeks since the first start"
        raise FitError(Fault("started", what, "at least 4", "plan without new starts, or wait"))
    counts = np.bincount(
        (days // 7 - first)[(days // 7 >= first) & (days // 7 <= last)], minlength=last - first + 1
    )
    rng = np.random.default_rng([seed, 51])
    ahead = day_number(first_monday(today)) // 7 - first + np.arange(weeks)
    notes: tuple[str, ...] = ()
    if not counts[-_QUARTER:].any():
        notes = (f"no new start in the last {min(_QUARTER, len(counts))} weeks: is the table complete?",)
    offsets = [np.zeros(len(counts))]
    if second_eyes is not None:
        since = first - int(days.min()) // 7 + np.arange(len(counts))
        hidden = _hidden(since, second_eyes)
        if hidden.max(initial=0.0) > _LEAST_HIDDEN:
            offsets.append(np.log1p(hidden))
    laws = [fitted_law(counts, offset, first, ahead, draws, rng) for offset in offsets]
    if any(law.is_erratic for law in laws):
        notes += (
            "new starts are too few or too erratic for a fit: a constant rate, widely spread, was taken",
        )
    return _shared(laws, counts, rng, notes)


def _hidden(weeks: IntArray, second_eyes: SecondEyes) -> FloatArray:
    """Other eyes of patients from before the table, per new start, so many weeks after it began, shape (weeks,)."""
    lag = begins(second_eyes.chance, second_eyes.after_start(SECOND_EYE_WEEKS)).mean(axis=0)
    later = np.r_[np.cumsum(lag[::-1])[::-1][1:], 0.0]  # chance of following more than so many weeks later
    return np.asarray(later[np.minimum(weeks, SECOND_EYE_WEEKS - 1)])


def _shared(
    laws: list[RateLaw], counts: IntArray, rng: np.random.Generator, notes: tuple[str, ...]
) -> Arrivals:
    """Draws of each law in the share of its Akaike weight, in random order."""
    draws = len(laws[0].size)
    criterion = np.array([law.criterion for law in laws])
    weight = np.exp((criterion.min() - criterion) / 2)
    until = np.rint(draws * np.cumsum(weight) / weight.sum()).astype(int)
    parts = [
        (law, slice(start, stop)) for law, start, stop in zip(laws, np.r_[0, until[:-1]], until, strict=True)
    ]
    parts = [(law, part) for law, part in parts if part.start < part.stop]
    order = rng.permutation(draws) if len(parts) > 1 else np.arange(draws)
    return Arrivals(
        np.concatenate([law.rate[part] for law, part in parts])[order],
        np.concatenate([law.size[part] for law, part in parts])[order],
        any("trend" in law.terms for law, _ in parts), any("season" in law.terms for law, _ in parts),
        int(counts.sum()), len(counts), notes,
    )  # fmt: skip


def _day_numbers(starts: Sequence[date] | IntArray) -> IntArray:
    if isinstance(starts, np.ndarray) and starts.dtype.kind in "iu":
        return starts.astype(np.int64)
    return np.array([day_number(day) for day in starts], dtype=np.int64)
