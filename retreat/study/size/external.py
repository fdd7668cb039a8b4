"""Cases for validating a model elsewhere: precise agreement in the large, calibration slope and concordance."""

from __future__ import annotations

from dataclasses import dataclass
from math import asinh, ceil, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from retreat.errors import Fault, FitError
from retreat.study.size.arguments import above, inside, refuse
from retreat.study.size.closed import Z

FloatArray = NDArray[np.float64]

_NODES = 200
_MOST_CASES = 10**8


@dataclass(frozen=True)
class External:
    """Cases that each criterion asks for.

    Parameters
    ----------
    observed_expected : int
        For the 95% interval of observed over expected no wider than asked.
    slope : int
        For that of the calibration slope.
    concordance : int
        For that of the concordance.
    events : float
        Expected events at the largest of the three.
    """

    observed_expected: int
    slope: int
    concordance: int
    events: float

    @property
    def cases(self) -> int:
        """The largest of the three."""
        return max(self.observed_expected, self.slope, self.concordance)


def normal_predictor(mean: float, sd: float) -> tuple[FloatArray, FloatArray]:
    """Linear predictors spread as a normal number, with their weights: nodes of a quadrature, not draws.

    Parameters
    ----------
    mean, sd : float
        Of the linear predictor; the spread above 0.

    Examples
    --------
    >>> lp, weight = normal_predictor(-5.0, 2.5)
    >>> round(float(weight @ lp), 6), round(float(weight.sum()), 6)
    (-5.0, 1.0)
    """
    refuse(above("sd", sd))
    nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    return mean + sd * nodes, weights / weights.sum()


def external_validation_size(
    *,
    share: float,
    concordance: float,
    predictor: ArrayLike,
    weights: ArrayLike | None = None,
    ratio_width: float = 0.2,
    slope_width: float = 0.2,
    concordance_width: float = 0.1,
) -> External:
    r"""Least number of cases for an external validation of probabilities of a yes-or-no outcome.

    Of a model that is right there. Observed over expected: :math:`n = (1 - \phi) / (\phi\, SE^2)` with the standard
    error of its logarithm; slope: :math:`n = I_a / [SE^2 (I_a I_b - I_{ab}^2)]` with the mean information of intercept
    and slope over the linear predictors; concordance: the standard error of Newcombe (2006). Riley and others 2021
    [1]_ (equations as in PyPI pmvalsampsize 0.2.1).

    Parameters
    ----------
    share : float in (0, 1)
        Share with the outcome.
    concordance : float in (0.5, 1)
        Concordance anticipated.
    predictor : array_like of float, shape (cases,)
        Linear predictors (log odds) of cases like those to come, such as logits of saved forecasts or
        :func:`normal_predictor`; not all equal.
    weights : array_like of float, shape (cases,), optional
        Their weights, default equal.
    ratio_width, slope_width, concordance_width : float, above 0
        Widths of the 95% intervals asked for (the defaults are those of the paper).

    Returns
    -------
    External

    Raises
    ------
    FitError
        If an argument is out of range.

    References
    ----------
    .. [1] Riley RD, Debray TPA, Collins GS, et al. Minimum sample size for external validation of a clinical
       prediction model with a binary outcome. Stat Med 2021;40:4230-4251.

    Examples
    --------
    >>> lp, weight = normal_predictor(-5.0, 2.5)
    >>> found = external_validation_size(
    ...     share=0.018, concordance=0.8, predictor=lp, weights=weight, ratio_width=1.0
    ... )
    >>> found.observed_expected, found.concordance
    (905, 4252)
    """
    refuse(
        inside("share", share),
        inside("concordance", concordance, low=0.5),
        above("ratio_width", ratio_width),
        above("slope_width", slope_width),
        inside("concordance_width", concordance_width),
    )
    lp, w = _predictors(predictor, weights)
    # exp(1.96 s) - exp(-1.96 s) = width; s rounded up to four places, as published tables have it
    error = ceil(asinh(ratio_width / 2.0) / Z * 1e4) / 1e4
    ratio = ceil((1.0 - share) / (share * error**2))
    chance = 1.0 / (1.0 + np.exp(-np.clip(lp, -700, 700)))
    each = chance * (1.0 - chance)
    a, ab, b = (float(w @ (each * lp**power)) for power in (0, 1, 2))
    slope = ceil(a / ((slope_width / (2.0 * Z)) ** 2 * (a * b - ab**2)))
    ranked = _for_concordance(concordance, share, concordance_width)
    return External(ratio, slope, ranked, max(ratio, slope, ranked) * share)


def _predictors(predictor: ArrayLike, weights: ArrayLike | None) -> tuple[FloatArray, FloatArray]:
    lp = np.asarray(predictor, dtype=float)
    w = np.ones(lp.shape) if weights is None else np.asarray(weights, dtype=float)
    if lp.ndim != 1 or w.shape != lp.shape or not (np.isfinite(lp).all() and np.isfinite(w).all()):
        what = f"shapes {lp.shape} and {w.shape}, or values that are not finite"
        raise FitError(Fault("predictor, weights", what, "two vectors of one length, finite"))
    if lp.size == 0 or w.min() < 0.0 or np.ptp(lp[w > 0.0], axis=0) == 0.0:
        raise FitError(
            Fault("predictor", "no spread of the linear predictors", "not all equal, weights from 0")
        )
    return lp, w / w.sum()


def _for_concordance(c: float, share: float, width: float) -> int:
    """Fewest cases whose interval is no wider: the width falls with the cases."""

    def wide(n: int) -> bool:
        half = n / 2.0 - 1.0
        spread = c * (1.0 - c) * (1.0 + half * (1.0 - c) / (2.0 - c) + half * c / (1.0 + c))
        return 2.0 * Z * sqrt(spread / (n**2 * share * (1.0 - share))) > width

    low, high = 1, _MOST_CASES
    while low < high:
        middle = (low + high) // 2
        low, high = (middle + 1, high) if wide(middle) else (low, middle)
    return low
