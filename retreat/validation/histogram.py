"""Whether courses are as long as foreseen: where each falls in its own predicted distribution."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from retreat.errors import Fault, TableError
from retreat.validation._checked import Courses, FloatArray, by_session, courses

# sums of float64 probabilities may pass 1 by rounding alone
_ROUNDING = 1e-9


@dataclass(frozen=True)
class PitHistogram:
    """Where courses fall in their predicted distributions, by equal parts of the unit interval.

    Parameters
    ----------
    edges : ndarray of float, shape (bins + 1,)
        Rising from 0 to 1.
    expected, observed : ndarray of float, shape (bins,)
        Share of cases foreseen, which is 1 / bins, and seen in each; both add to 1.
    """

    edges: FloatArray
    expected: FloatArray
    observed: FloatArray


@dataclass(frozen=True)
class DCalibration:
    """Test of whether courses fall evenly over their predicted distributions.

    Parameters
    ----------
    statistic : float
        Pearson's sum of squares between seen and foreseen numbers of cases; 0 is ideal.
    scale : float
        What the statistic is divided by before it is held against a chi-squared distribution; 1 where every
        case falls in one bin, less where cases are spread over several.
    degrees_of_freedom : float
        Of that distribution; bins - 1 where every case falls in one bin.
    p : float
        Probability of a statistic as large or larger if the predictions are true.
    histogram : PitHistogram
        The shares compared.
    reason : str
        Why values are NaN; empty when none is.
    """

    statistic: float
    scale: float
    degrees_of_freedom: float
    p: float
    histogram: PitHistogram
    reason: str = ""


def pit(
    pmf: ArrayLike,
    sessions: ArrayLike,
    ending: ArrayLike,
    *,
    seed: int | np.random.Generator,
    bins: int = 10,
) -> PitHistogram:
    r"""Histogram of the randomised probability integral transform of the number of sessions.

    With :math:`F_i(k)` the predicted probability that the course of case i is over by session k, in whatever
    way, a course over at session T gets one draw from the uniform distribution between :math:`F_i(T - 1)` and
    :math:`F_i(T)`, which is uniform on the unit interval if the prediction is true (Czado, Gneiting and Held
    2009 [1]_). One still going on after T, or longer than the horizon, is spread evenly over all from
    :math:`F_i(T)` to 1, as in D-calibration (Haider and others 2020 [2]_). Too many on the left: courses are
    shorter than foreseen; too many on both sides: predictions are too sure.

    Parameters
    ----------
    pmf : array_like of float, shape (n, ends, horizon) or (n, horizon)
        Predicted probability of ending in each way at exactly each session, in [0, 1], over ends and sessions
        adding to at most 1; without the axis of ends there is one end.
    sessions : array_like of int, shape (n,)
        Sessions of each case, from 1.
    ending : array_like of int, shape (n,)
        0 still going on when last seen, 1..K the end, K being the number of ends of `pmf`.
    seed : int or numpy.random.Generator
        Of the draws.
    bins : int
        Equal parts of the unit interval, at least 2.

    Returns
    -------
    PitHistogram

    Raises
    ------
    TableError
        If the arrays are not of that form, the probabilities of a case add to more than 1 or there are fewer
        than 2 bins.

    Notes
    -----
    Cases must be lost for reasons that say nothing of how long they would have gone on. Cases lost early are
    spread over nearly all bins and hide what is wrong.

    References
    ----------
    .. [1] Czado C, Gneiting T, Held L. Predictive model assessment for count data. Biometrics
       2009;65:1254-1261 (from memory).
    .. [2] Haider H, Hoehn B, Davis S, Greiner R. Effective ways to build and evaluate individual survival
       distributions. J Mach Learn Res 2020;21(85):1-63 (from memory).

    Examples
    --------
    The first eye falls anywhere in the lower half; the second, still going on, is spread over the upper half:

    >>> found = pit([[0.5, 0.25], [0.5, 0.25]], [1, 1], [1, 0], seed=1, bins=2)
    >>> found.observed.tolist(), found.edges.tolist()
    ([0.5, 0.5], [0.0, 0.5, 1.0])
    """
    low, high, seen = _between(pmf, sessions, ending, bins)
    over = _seen_to_end(pmf, seen)
    drawn = low + (high - low) * np.random.default_rng(seed).random(len(low))
    low[over] = high[over] = drawn[over]
    return _histogram(_spread(low, high, bins))


def d_calibration(pmf: ArrayLike, sessions: ArrayLike, ending: ArrayLike, *, bins: int = 10) -> DCalibration:
    r"""Test of whether the numbers of sessions follow their predicted distributions: D-calibration.

    Each case has mass 1, spread evenly from :math:`F_i(T - 1)` to :math:`F_i(T)` if its course was over at
    session T, and from :math:`F_i(T)` to 1 if it was still going on (:func:`~retreat.validation.pit`, but
    with the whole interval and not a draw from it, so that no seed is needed). With :math:`o_b` the mass in
    bin b of B, the statistic is :math:`\sum_b (o_b - n/B)^2 / (n/B)` (Haider and others 2020 [1]_).

    Parameters
    ----------
    pmf : array_like of float, shape (n, ends, horizon) or (n, horizon)
        Predicted probability of ending in each way at exactly each session, in [0, 1], over ends and sessions
        adding to at most 1; without the axis of ends there is one end.
    sessions : array_like of int, shape (n,)
        Sessions of each case, from 1.
    ending : array_like of int, shape (n,)
        0 still going on when last seen, 1..K the end, K being the number of ends of `pmf`.
    bins : int
        Equal parts of the unit interval, at least 2.

    Returns
    -------
    DCalibration
        NaN with a `reason` for one case, or where all cases are spread alike.

    Raises
    ------
    TableError
        If the arrays are not of that form, the probabilities of a case add to more than 1 or there are fewer
        than 2 bins.

    Notes
    -----
    The chi-squared reference is approximate. Mass spread over bins varies less than cases that each fall in
    one, and sessions are so few that nearly every case is spread: held against B - 1 degrees of freedom, as
    published for continuous times, the statistic would almost never reject. So it is divided by a scale and
    held against the degrees of freedom that give it the mean and variance it has under the predictions,
    from the covariance of the masses of the cases (Satterthwaite 1946 [2]_; Rao and Scott 1981 [3]_). The
    tests of this package simulate the share rejected at 5%. It holds for predictions made from other cases;
    on the cases of the fit it rejects too rarely. Cases are taken as independent: with two eyes of a patient
    it rejects too often. Cases must be lost for reasons that say nothing of how long they would have gone on.

    References
    ----------
    .. [1] Haider H, Hoehn B, Davis S, Greiner R. Effective ways to build and evaluate individual survival
       distributions. J Mach Learn Res 2020;21(85):1-63 (from memory).
    .. [2] Satterthwaite FE. An approximate distribution of estimates of variance components. Biometrics Bull
       1946;2:110-114 (from memory).
    .. [3] Rao JNK, Scott AJ. The analysis of categorical data from complex sample surveys: chi-squared tests
       for goodness of fit and independence in two-way tables. JASA 1981;76:221-230 (from memory).

    Examples
    --------
    Three of four eyes fall in the lower half of their distribution where two would be expected:

    >>> found = d_calibration([[0.5, 0.5]] * 4, [1, 1, 1, 2], [1, 1, 1, 1], bins=2)
    >>> found.statistic, round(found.degrees_of_freedom, 4), round(found.p, 4)
    (1.0, 1.0, 0.3173)
    """
    low, high, _ = _between(pmf, sessions, ending, bins)
    masses = _spread(low, high, bins)
    histogram, n = _histogram(masses), len(masses)
    statistic = float(n * bins * np.sum((histogram.observed - histogram.expected) ** 2))
    # a sum of squares of normal values with this covariance, (bins, bins)
    covariance = bins * np.cov(masses, rowvar=False) if n > 1 else np.zeros((bins, bins))
    mean, squares = float(np.trace(covariance)), float(np.sum(covariance**2))
    if squares <= _ROUNDING**2:
        nan = float("nan")
        return DCalibration(statistic, nan, nan, nan, histogram, "all cases are spread alike")
    # scipy here alone: the other measures run on numpy
    from scipy.stats import chi2

    scale, freedom = squares / mean, mean**2 / squares
    return DCalibration(statistic, scale, freedom, float(chi2.sf(statistic / scale, freedom)), histogram)


def _between(
    pmf: ArrayLike, sessions: ArrayLike, ending: ArrayLike, bins: int
) -> tuple[FloatArray, FloatArray, Courses]:
    """Part of the unit interval in which each course lies, shapes (n,), and the courses."""
    if bins < 2:
        raise TableError(Fault("bins", f"value {bins}", "at least 2"))
    array = np.asarray(pmf, dtype=float)
    seen = courses(sessions, ending, n_ends=array.shape[1] if array.ndim == 3 else 1)
    predicted = by_session(array, "pmf", len(seen.sessions))
    over_by = np.cumsum(predicted.sum(axis=1), axis=1)  # (n, horizon)
    if np.any(over_by[:, -1] > 1.0 + _ROUNDING):
        first = int(np.argmax(over_by[:, -1] > 1.0 + _ROUNDING))
        found = f"case at position {first} adds to {over_by[first, -1]:.6g}"
        raise TableError(Fault("pmf", found, "at most 1"))
    over_by = np.concatenate([np.zeros((len(over_by), 1)), np.clip(over_by, 0.0, 1.0)], axis=1)
    case, last = np.arange(len(over_by)), np.minimum(seen.sessions, over_by.shape[1] - 1)
    over = _seen_to_end(array, seen)
    low = over_by[case, np.where(over, last - 1, last)]
    high = np.where(over, over_by[case, last], 1.0)
    return low, high, seen


def _seen_to_end(pmf: ArrayLike, seen: Courses) -> np.ndarray:
    return np.asarray((seen.ending > 0) & (seen.sessions <= np.shape(pmf)[-1]))


def _spread(low: FloatArray, high: FloatArray, bins: int) -> FloatArray:
    """Mass of each case in each bin, shape (n, bins); an interval of no width is a point."""
    edges = np.linspace(0.0, 1.0, bins + 1)
    width = (high - low)[:, None]
    to_edge = edges - low[:, None]
    share = np.divide(to_edge, width, out=(to_edge > 0).astype(float), where=width > 0)
    until = np.clip(share, 0.0, 1.0)  # (n, bins + 1)
    until[:, -1] = 1.0
    return np.asarray(np.diff(until, axis=1))


def _histogram(masses: FloatArray) -> PitHistogram:
    bins = masses.shape[1]
    return PitHistogram(np.linspace(0.0, 1.0, bins + 1), np.full(bins, 1.0 / bins), masses.mean(axis=0))
