"""The record of how predicted and observed agree, the same for a yes-or-no outcome and for courses."""

from __future__ import annotations

from dataclasses import dataclass

from retreat.validation._checked import FloatArray
from retreat.validation._spread import Interval


@dataclass(frozen=True)
class Curve:
    """Smooth curve of the observed against the predicted probability.

    Parameters
    ----------
    predicted : ndarray of float, shape (points,)
        Rising grid from the smallest to the largest prediction.
    observed, low, high : ndarray of float, shape (points,)
        Smoothed observed probability and its pointwise interval, in [0, 1].
    """

    predicted: FloatArray
    observed: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True)
class Points:
    """Observed shares of cases grouped by fifths of the prediction; equal predictions stay together.

    Parameters
    ----------
    n : ndarray of float, shape (groups,)
        Cases in each group, at most five groups.
    predicted : ndarray of float, shape (groups,)
        Mean prediction.
    observed, low, high : ndarray of float, shape (groups,)
        Observed share and its interval, in [0, 1]; NaN where nobody of a group was followed so far.
    """

    n: FloatArray
    predicted: FloatArray
    observed: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True)
class Calibration:
    """How predicted and observed probabilities agree.

    Parameters
    ----------
    n : float
        Cases (sum of weights).
    observed, expected : float
        Observed share and mean prediction.
    observed_interval : tuple of float
        Wilson interval of `observed`.
    observed_expected : float
        Their ratio; 1 is ideal, above 1 the predictions are too low.
    observed_expected_interval : tuple of float
        Of the ratio, the predictions taken as fixed.
    in_the_large : float
        Intercept of observed on logit prediction when the slope is held at 1; 0 is ideal, above 0 the
        predictions are too low.
    slope, intercept : float
        Of the same regression with a free slope; 1 and 0 are ideal. A slope below 1 means predictions too
        extreme, above 1 too timid.
    in_the_large_standard_error, slope_standard_error, intercept_standard_error : float
        Standard errors on the logit scale.
    in_the_large_interval, slope_interval, intercept_interval : tuple of float
        Estimate plus and minus normal quantiles of standard errors.
    unreliability, unreliability_p : float
        Chi-squared statistic with 2 degrees of freedom of intercept 0 and slope 1 together, and its p-value.
    ici, e50, e90, emax : float
        Mean, median, 90th percentile and maximum over cases of the distance between prediction and smooth
        curve; 0 is ideal.
    smoother : str
        How the curve was made; the distances depend on it.
    curve : Curve or None
        The smooth curve.
    points : Points
        Observed shares by fifths.
    level : float
        Of all intervals.
    reason : str
        Why values are NaN; empty when none is.
    """

    n: float
    observed: float
    observed_interval: Interval
    expected: float
    observed_expected: float
    observed_expected_interval: Interval
    in_the_large: float
    in_the_large_standard_error: float
    in_the_large_interval: Interval
    slope: float
    slope_standard_error: float
    slope_interval: Interval
    intercept: float
    intercept_standard_error: float
    intercept_interval: Interval
    unreliability: float
    unreliability_p: float
    ici: float
    e50: float
    e90: float
    emax: float
    smoother: str
    curve: Curve | None
    points: Points
    level: float
    reason: str
