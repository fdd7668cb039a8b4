"""New patients: first-eye starts a week, learned from the clinic's own dates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.planning.dates import check_not_later, day_number, first_monday, last_whole_week
from retreat.planning.second_eyes import SecondEyes, first_starts, fit_second_eyes

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

__all__ = ["Arrivals", "SecondEyes", "first_starts", "fit_arrivals", "fit_second_eyes"]

# weeks of the past that tell of the weeks ahead (our judgement): older ones tell of another practice
_WINDOW = 156
# fewest weeks for a trend or a season: 24 months
_LEAST_FOR_SEASON = 104
_YEAR = 365.25 / 7
# fewest starts for anything but a constant Poisson rate, whose doubt is then known exactly
_LEAST_STARTS = 20
_QUARTER = 13
# largest size of a negative binomial told apart from the Poisson in the arithmetic
_MOST_SIZE = 1e5


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
    starts: Sequence[date] | IntArray, *, today: date, weeks: int, draws: int = 1000, seed: int = 1
) -> Arrivals:
    """New starts a week ahead, from the weekly counts of the last three years.

    Poisson, or negative binomial where a likelihood-ratio test at the edge of its range finds more spread at
    the 5% level (Self and Liang 1987, from memory). A trend and a yearly season (one sine and cosine) enter
    only where at least 104 weeks are seen and each is supported at the 1% level by its likelihood ratio and
    lowers Akaike's criterion. The doubt about the parameters is the normal approximation to the likelihood; that
    about a constant Poisson rate is its posterior under the prior of Jeffreys, which holds for few starts too.

    Parameters
    ----------
    starts : sequence of date, or ndarray of int
        Day of each new start: dates, or day numbers of :func:`first_starts`.
    today : date
        Day on which the tables were closed.
    weeks : int, 1 to 104
        Weeks ahead, the first beginning on the Monday on or after `today`.
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
    if counts.sum() < _LEAST_STARTS:
        return _constant(counts, weeks, draws, rng, notes)
    return _fitted(counts, first, ahead, draws, rng, notes)


def _day_numbers(starts: Sequence[date] | IntArray) -> IntArray:
    if isinstance(starts, np.ndarray) and starts.dtype.kind in "iu":
        return starts.astype(np.int64)
    return np.array([day_number(day) for day in starts], dtype=np.int64)


def _constant(
    counts: IntArray, weeks: int, draws: int, rng: np.random.Generator, notes: tuple[str, ...]
) -> Arrivals:
    rate = rng.gamma(counts.sum() + 0.5, 1.0 / len(counts), draws)
    return Arrivals(
        np.repeat(rate[:, None], weeks, axis=1), np.full(draws, np.inf), n_starts=int(counts.sum()),
        n_weeks=len(counts), notes=notes,
    )  # fmt: skip


def _fitted(
    counts: IntArray,
    first: int,
    ahead: IntArray,
    draws: int,
    rng: np.random.Generator,
    notes: tuple[str, ...],
) -> Arrivals:
    past = np.arange(len(counts))
    terms: tuple[str, ...] = ()
    spread = _overdispersed(counts, _columns(past, first, len(counts), ()))
    if len(counts) >= _LEAST_FOR_SEASON:
        terms = _supported(counts, first, spread)
        spread = _overdispersed(counts, _columns(past, first, len(counts), terms))
    if not terms and not spread:
        return _constant(counts, len(ahead), draws, rng, notes)
    fit = _fit(counts, _columns(past, first, len(counts), terms), spread)
    X = _columns(ahead, first, len(counts), terms)
    location, covariance = _location_and_covariance(fit)
    if spread:  # the size is drawn by its logarithm, which is nearer to normal
        alpha = location[-1]
        covariance[-1] /= alpha
        covariance[:, -1] /= alpha
        location[-1] = np.log(alpha)
    drawn = rng.multivariate_normal(location, covariance, draws, method="eigh")
    size = np.exp(-drawn[:, -1]) if spread else np.full(draws, np.inf)
    rate = np.exp(np.clip(drawn[:, : X.shape[1]] @ X.T, -20.0, 10.0))
    return Arrivals(
        rate, np.clip(size, 1e-2, _MOST_SIZE) if spread else size, "trend" in terms, "season" in terms,
        int(counts.sum()), len(counts), notes,
    )  # fmt: skip


def _columns(week: IntArray, first: int, n: int, terms: tuple[str, ...]) -> FloatArray:
    columns = [np.ones(len(week))]
    if "trend" in terms:
        # weeks after the last seen keep its level: a trend seen so far is not promised to go on
        columns.append((np.minimum(week, n - 1) - n / 2) / _YEAR)
    if "season" in terms:
        angle = 2 * np.pi * (week + first) / _YEAR
        columns += [np.sin(angle), np.cos(angle)]
    return np.stack(columns, axis=1)


def _fit(counts: IntArray, X: FloatArray, spread: bool) -> Any:
    import warnings

    from statsmodels.discrete.discrete_model import NegativeBinomial, Poisson  # heavy: loads scipy.stats

    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")  # the outcome is judged by its likelihood and its errors
        if spread:
            return NegativeBinomial(counts, X).fit(disp=0, method="bfgs", maxiter=500)
        return Poisson(counts, X).fit(disp=0, method="newton", maxiter=100)


def _location_and_covariance(fit: Any) -> tuple[FloatArray, FloatArray]:
    """Estimates and their covariance, refused where the likelihood has no proper top."""
    try:
        location, covariance = np.asarray(fit.params, dtype=float), np.asarray(fit.cov_params(), dtype=float)
    except ValueError:  # statsmodels could not invert the curvature
        covariance, location = np.full((1, 1), np.nan), np.zeros(1)
    if not np.isfinite(covariance).all() or not (covariance.diagonal() > 0).all():
        raise FitError(Fault("started", "the rate of new starts could not be fitted", "", "give the rate"))
    return location.copy(), covariance.copy()


def _log_likelihood(counts: IntArray, X: FloatArray, spread: bool) -> float:
    """Largest log likelihood; the Poisson is the edge of the negative binomial, so that it is never below it."""
    poisson = float(_fit(counts, X, False).llf)
    return max(poisson, float(np.nan_to_num(_fit(counts, X, True).llf, nan=-np.inf))) if spread else poisson


def _overdispersed(counts: IntArray, X: FloatArray) -> bool:
    """Whether a negative binomial is supported over the Poisson, at the edge of its range (5%)."""
    from scipy.stats import chi2

    mean = np.exp(X @ np.asarray(_fit(counts, X, False).params))
    if ((counts - mean) ** 2 - counts).sum() <= 0:  # no more spread than Poisson: the size is infinite
        return False
    more = 2 * (_log_likelihood(counts, X, True) - _log_likelihood(counts, X, False))
    if more <= chi2.ppf(0.9, 1):
        return False
    try:
        _location_and_covariance(_fit(counts, X, True))
    except FitError:
        return False
    return True


def _supported(counts: IntArray, first: int, spread: bool) -> tuple[str, ...]:
    from scipy.stats import chi2

    past = np.arange(len(counts))
    kept: tuple[str, ...] = ()
    for term, df in (("trend", 1), ("season", 2)):
        without = _log_likelihood(counts, _columns(past, first, len(counts), kept), spread)
        more = 2 * (
            _log_likelihood(counts, _columns(past, first, len(counts), (*kept, term)), spread) - without
        )
        if more > max(chi2.ppf(0.99, df), 2 * df):
            kept = (*kept, term)
    return kept
