"""Laws of the new starts a week: constant, with trend and season, Poisson or with more spread."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# fewest weeks for a trend or a season: 24 months
_LEAST_FOR_SEASON = 104
_YEAR = 365.25 / 7
# fewest starts for anything but a constant rate, whose doubt is then known in closed form
_LEAST_STARTS = 20
# largest size of a negative binomial told apart from the Poisson in the arithmetic
_MOST_SIZE = 1e5
# smallest: about as erratic as all starts in one week of a hundred
_LEAST_SIZE = 1e-2


class _NoTopError(Exception):
    """The likelihood has no proper top."""


@dataclass(frozen=True)
class RateLaw:
    """A law of the weekly counts, ready to be drawn from.

    Parameters
    ----------
    rate : ndarray of float, shape (draws, weeks)
        Mean new starts of each week ahead.
    size : ndarray of float, shape (draws,)
        Size of the negative binomial; infinite for Poisson.
    terms : tuple of str
        Those of `trend` and `season` that it follows.
    criterion : float
        Akaike's, by which laws are weighed.
    is_erratic : bool
        Whether starts spread more than Poisson and no fit of a negative binomial was to be had.
    """

    rate: FloatArray
    size: FloatArray
    terms: tuple[str, ...]
    criterion: float
    is_erratic: bool = False


def fitted_law(
    counts: IntArray, offset: FloatArray, first: int, ahead: IntArray, draws: int, rng: np.random.Generator
) -> RateLaw:
    """The law that the weekly counts support, with draws of its parameters.

    Parameters
    ----------
    counts : ndarray of int, shape (past weeks,)
        New starts.
    offset : ndarray of float, shape (past weeks,)
        Logarithm by which each week's mean lies above the rate sought.
    first : int
        Number of the first week, for the season.
    ahead : ndarray of int, shape (weeks,)
        Weeks to come, counted from the first.
    draws : int
        Draws.
    rng : Generator
        For the draws.
    """
    if counts.sum() < _LEAST_STARTS:
        return _constant(counts, offset, len(ahead), draws, rng, spread=_scattered(counts, offset))
    past = np.arange(len(counts))
    terms: tuple[str, ...] = ()
    try:
        spread = _overdispersed(counts, offset, _columns(past, first, len(counts), ()))
        if len(counts) >= _LEAST_FOR_SEASON:
            terms = _supported(counts, offset, first, spread)
            spread = _overdispersed(counts, offset, _columns(past, first, len(counts), terms))
        if terms or spread:
            return _regression(counts, offset, first, ahead, draws, rng, terms, spread)
    except _NoTopError:
        return _constant(counts, offset, len(ahead), draws, rng, spread=True)
    return _constant(counts, offset, len(ahead), draws, rng, spread=False)


def _scattered(counts: IntArray, offset: FloatArray) -> bool:
    """Whether few starts come in more of a heap than Poisson (dispersion test of Fisher, 5%, from memory)."""
    from scipy.stats import chi2

    return bool(_pearson(counts, offset) > chi2.ppf(0.95, len(counts) - 1))


def _pearson(counts: IntArray, offset: FloatArray) -> float:
    mean = counts.sum() * np.exp(offset) / np.exp(offset).sum()
    return float(((counts - mean) ** 2 / mean).sum()) if counts.any() else 0.0


def _constant(
    counts: IntArray, offset: FloatArray, weeks: int, draws: int, rng: np.random.Generator, *, spread: bool
) -> RateLaw:
    """A constant rate: its posterior under the prior of Jeffreys.

    With more spread than Poisson the starts count as so many fewer as their variance is larger (quasi-likelihood,
    Wedderburn 1974, from memory), and the spread itself is drawn from the law of Pearson's statistic.
    """
    exposure = float(np.exp(offset).sum())
    shape = counts.sum() + 0.5
    heap = np.ones(draws)
    if spread:
        freedom = len(counts) - 1
        heap = np.maximum(_pearson(counts, offset) / rng.chisquare(freedom, draws), 1.0)
    rate = rng.gamma(shape / heap) * heap / exposure
    with np.errstate(divide="ignore"):
        size = np.where(heap > 1.0, np.clip(rate / (heap - 1.0), _LEAST_SIZE, _MOST_SIZE), np.inf)
    if spread:  # a mixture of both kinds is drawn as one
        size = np.minimum(size, _MOST_SIZE)
    mean = shape / exposure * np.exp(offset)
    known = float((counts * np.log(mean) - mean).sum() - sum(math.lgamma(n + 1.0) for n in counts.tolist()))
    return RateLaw(np.repeat(rate[:, None], weeks, axis=1), size, (), 2.0 - 2.0 * known, spread)


def _regression(
    counts: IntArray, offset: FloatArray, first: int, ahead: IntArray, draws: int, rng: np.random.Generator,
    terms: tuple[str, ...], spread: bool,
) -> RateLaw:  # fmt: skip
    """Parameters drawn from the normal approximation to the likelihood."""
    fit = _fit(counts, offset, _columns(np.arange(len(counts)), first, len(counts), terms), spread)
    X = _columns(ahead, first, len(counts), terms)
    location, covariance = _location_and_covariance(fit)
    if spread:  # the size is drawn by its logarithm, which is nearer to normal
        alpha = location[-1]
        covariance[-1] /= alpha
        covariance[:, -1] /= alpha
        location[-1] = np.log(alpha)
    drawn = rng.multivariate_normal(location, covariance, draws, method="eigh")
    size = np.clip(np.exp(-drawn[:, -1]), _LEAST_SIZE, _MOST_SIZE) if spread else np.full(draws, np.inf)
    rate = np.exp(np.clip(drawn[:, : X.shape[1]] @ X.T, -20.0, 10.0))
    return RateLaw(rate, size, terms, float(2 * len(location) - 2 * fit.llf))


def _columns(week: IntArray, first: int, n: int, terms: tuple[str, ...]) -> FloatArray:
    columns = [np.ones(len(week))]
    if "trend" in terms:
        # weeks after the last seen keep its level: a trend seen so far is not promised to go on
        columns.append((np.minimum(week, n - 1) - n / 2) / _YEAR)
    if "season" in terms:
        angle = 2 * np.pi * (week + first) / _YEAR
        columns += [np.sin(angle), np.cos(angle)]
    return np.stack(columns, axis=1)


def _fit(counts: IntArray, offset: FloatArray, X: FloatArray, spread: bool) -> Any:
    import warnings

    from statsmodels.discrete.discrete_model import NegativeBinomial, Poisson  # heavy: loads scipy.stats

    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")  # the outcome is judged by its likelihood and its errors
        model = NegativeBinomial(counts, X, offset=offset) if spread else Poisson(counts, X, offset=offset)
        found = (
            model.fit(disp=0, maxiter=500, method="bfgs")
            if spread
            else model.fit(disp=0, method="newton", maxiter=100)
        )
        found.llf  # noqa: B018  # worked out once, here, where a hopeless fit may warn
    return found


def _location_and_covariance(fit: Any) -> tuple[FloatArray, FloatArray]:
    """Estimates and their covariance, refused where the likelihood has no proper top."""
    try:
        location, covariance = np.asarray(fit.params, dtype=float), np.asarray(fit.cov_params(), dtype=float)
    except (ValueError, np.linalg.LinAlgError):  # statsmodels could not invert the curvature
        covariance, location = np.full((1, 1), np.nan), np.zeros(1)
    if not np.isfinite([fit.llf, *covariance.ravel()]).all() or not (covariance.diagonal() > 0).all():
        raise _NoTopError
    return location.copy(), covariance.copy()


def _log_likelihood(counts: IntArray, offset: FloatArray, X: FloatArray, spread: bool) -> float:
    """Largest log likelihood; the Poisson is the edge of the negative binomial, so that it is never below it."""
    poisson = float(_fit(counts, offset, X, False).llf)
    return (
        max(poisson, float(np.nan_to_num(_fit(counts, offset, X, True).llf, nan=-np.inf)))
        if spread
        else poisson
    )


def _overdispersed(counts: IntArray, offset: FloatArray, X: FloatArray) -> bool:
    """Whether a negative binomial is supported over the Poisson, at the edge of its range (5%)."""
    from scipy.stats import chi2

    mean = np.exp(offset + X @ np.asarray(_fit(counts, offset, X, False).params))
    if ((counts - mean) ** 2 - counts).sum() <= 0:  # no more spread than Poisson: the size is infinite
        return False
    negative_binomial = _fit(counts, offset, X, True)
    if not np.isfinite(negative_binomial.llf):
        if ((counts - mean) ** 2 / mean).sum() > chi2.ppf(0.95, len(counts) - X.shape[1]):
            raise _NoTopError
        return False
    more = 2 * (negative_binomial.llf - _fit(counts, offset, X, False).llf)
    if more <= chi2.ppf(0.9, 1):
        return False
    _location_and_covariance(negative_binomial)  # the caller is told where there is none
    return True


def _supported(counts: IntArray, offset: FloatArray, first: int, spread: bool) -> tuple[str, ...]:
    from scipy.stats import chi2

    past = np.arange(len(counts))
    kept: tuple[str, ...] = ()
    for term, df in (("trend", 1), ("season", 2)):
        without = _log_likelihood(counts, offset, _columns(past, first, len(counts), kept), spread)
        more = 2 * (
            _log_likelihood(counts, offset, _columns(past, first, len(counts), (*kept, term)), spread)
            - without
        )
        if more > max(chi2.ppf(0.99, df), 2 * df):
            kept = (*kept, term)
    return kept
