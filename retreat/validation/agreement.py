"""Calibration of the probability of a yes-or-no outcome."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from retreat.validation._checked import BoolArray, binary
from retreat.validation._spread import Interval, normal_quantile, wilson
from retreat.validation.agreement_record import Calibration
from retreat.validation.assessment import assess
from retreat.validation.measure import Measure
from retreat.validation.recalibration import Sample

MEASURES = (
    Measure("observed_expected", "observed / expected", 0.0, np.inf, 1.0, "target"),
    Measure("in_the_large", "calibration-in-the-large", -np.inf, np.inf, 0.0, "target"),
    Measure("slope", "calibration slope", -np.inf, np.inf, 1.0, "target"),
    Measure("intercept", "calibration intercept", -np.inf, np.inf, 0.0, "target"),
    Measure("ici", "integrated calibration index", 0.0, 1.0, 0.0, "lower"),
    Measure("e50", "median distance to the calibration curve", 0.0, 1.0, 0.0, "lower"),
    Measure("e90", "90th percentile of the distance to the calibration curve", 0.0, 1.0, 0.0, "lower"),
    Measure("emax", "largest distance to the calibration curve", 0.0, 1.0, 0.0, "lower"),
)


def calibration(
    probabilities: ArrayLike, outcomes: ArrayLike, *, weights: ArrayLike | None = None, level: float = 0.95
) -> Calibration:
    r"""How predicted probabilities agree with what happened.

    With :math:`\operatorname{logit} P(y_i = 1) = a + b \operatorname{logit} p_i`: `in_the_large` is a with b
    held at 1, `intercept` and `slope` are a and b both free (Cox 1958 [1]_; Van Calster and others 2019
    [2]_), fitted by maximum likelihood with standard errors from the inverse information. `unreliability` is
    the likelihood ratio of a = 0, b = 1. The smooth curve is a logistic regression on a restricted cubic
    spline of the logit with five knots, fewer when the rarer outcome is seen less than 40 times; `ici`,
    `e50`, `e90` and `emax` are mean, median, 90th percentile and maximum over cases of the distance
    :math:`|\hat c(p_i) - p_i|` to it (Austin and Steyerberg 2019 [3]_). They depend on the smoother, which
    the record names. `observed_expected` is the share of events over the mean probability.

    Parameters
    ----------
    probabilities : array_like of float, shape (n,)
        Predicted probabilities in [0, 1].
    outcomes : array_like of int or bool, shape (n,)
        1 where it happened, 0 where not.
    weights : array_like of float, shape (n,), optional
        How many cases a row stands for; standard errors and knots too take a row of weight 2 for two.
    level : float in (0, 1)
        Of the intervals.

    Returns
    -------
    Calibration
        Range, ideal value and direction of each measure are in :func:`~retreat.validation.measures`. Values
        that cannot be estimated are NaN and `reason` says why: all outcomes equal, all predictions equal (no
        slope), predictions of exactly 0 or 1 (no logit), outcomes separated by the predictions.

    Raises
    ------
    TableError
        If a probability is outside [0, 1], an outcome neither 0 nor 1, or lengths differ.
    ValueError
        If the level is not between 0 and 1.

    Notes
    -----
    Cases are taken as independent. Measured on the data a model was fitted to, the slope of an unpenalised
    logistic model is exactly 1 and says nothing.

    References
    ----------
    .. [1] Cox DR. Two further applications of a model for binary regression. Biometrika 1958;45:562-565
       (from memory).
    .. [2] Van Calster B, McLernon DJ, van Smeden M, Wynants L, Steyerberg EW. Calibration: the Achilles heel
       of predictive analytics. BMC Med 2019;17:230 (from memory).
    .. [3] Austin PC, Steyerberg EW. The Integrated Calibration Index (ICI) and related metrics for
       quantifying the calibration of logistic regression models. Stat Med 2019;38:4051-4065 (from memory).

    Examples
    --------
    Of ten eyes given 0.2 four were relieved, of ten given 0.8 six: right on average, far too extreme.

    >>> found = calibration([0.2] * 10 + [0.8] * 10, [1] * 4 + [0] * 6 + [1] * 6 + [0] * 4)
    >>> round(found.in_the_large, 4) + 0.0, round(found.slope, 4), round(found.observed_expected, 4)
    (0.0, 0.2925, 1.0)
    """
    normal_quantile(level)
    p, y, weight = binary(probabilities, outcomes, weights)

    def share(chosen: BoolArray) -> tuple[float, Interval]:
        n = float(weight[chosen].sum())
        seen = float(weight[chosen] @ y[chosen]) / n
        return seen, wilson(seen, n, level)

    return assess(Sample(p, y, weight, "information"), share, level)
