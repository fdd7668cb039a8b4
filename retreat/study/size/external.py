"""Cases for validating a model elsewhere: precise agreement in the large, calibration slope and concordance."""

from __future__ import annotations

from dataclasses import dataclass
from math import asinh, ceil, sqrt
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from retreat.errors import Fault, FitError
from retreat.fitting.arguments import choice_fault
from retreat.study.size.arguments import above, inside, refuse, within
from retreat.study.size.closed import Z
from retreat.study.size.eyes import MOST_ALIKE, design_effect

FloatArray = NDArray[np.float64]
# of the logarithm of observed over expected: what the width asks for, or that rounded up as in published tables
StandardError = Literal["exact", "published"]

_NODES = 200
_MOST_CASES = 10**8


@dataclass(frozen=True)
class External:
    """Cases (eyes) that each criterion asks for.

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
    design_effect : float, from 1
        By which the three were multiplied for eyes of one patient.
    """

    observed_expected: int
    slope: int
    concordance: int
    events: float
    design_effect: float = 1.0

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
    eyes_per_patient: float = 1.0,
    alike: float = MOST_ALIKE,
    tolerance: float = 0.1,
    standard_error: StandardError = "exact",
) -> External:
    r"""Least number of cases for an external validation of probabilities of a yes-or-no outcome.

    Of a model that is right there. Observed over expected: :math:`n = (1 - \phi) / (\phi\, SE^2)` with the standard
    error of its logarithm; slope: :math:`n = I_a / [SE^2 (I_a I_b - I_{ab}^2)]` with the mean information of intercept
    and slope over the linear predictors; concordance: the standard error of Newcombe (2006). Riley and others 2021
    [1]_ (equations as in PyPI pmvalsampsize 0.2.1). Eyes of one patient tell less than as many patients: all three are
    multiplied by the design effect of :func:`~retreat.study.size.eyes.design_effect`.

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
    eyes_per_patient : float in [1, 2]
        Mean number of treated eyes of a patient.
    alike : float in [0, 1]
        Correlation of two eyes of a patient. Default 1, the most cautious: the second eye tells nothing.
    tolerance : float, above 0
        How far the mean chance of the predictors may be from `share`, as a part of the smaller of `share` and
        1 - `share` (default 0.1, our judgement): a model that is right there expects what is observed.
    standard_error : {"exact", "published"}
        ``published`` rounds the standard error of observed over expected up to four places, as published tables have
        it; its interval may be a little wider than asked.

    Returns
    -------
    External

    Raises
    ------
    FitError
        If an argument is out of range, or the predictors do not fit the share.

    References
    ----------
    .. [1] Riley RD, Debray TPA, Collins GS, et al. Minimum sample size for external validation of a clinical
       prediction model with a binary outcome. Stat Med 2021;40:4230-4251.

    Examples
    --------
    >>> lp, weight = normal_predictor(-1.75, 1.22)
    >>> found = external_validation_size(share=0.2, concordance=0.78, predictor=lp, weights=weight)
    >>> found.observed_expected, found.concordance
    (1542, 511)
    """
    refuse(
        inside("share", share),
        inside("concordance", concordance, low=0.5),
        above("ratio_width", ratio_width),
        above("slope_width", slope_width),
        inside("concordance_width", concordance_width),
        within("eyes_per_patient", eyes_per_patient, 1.0, 2.0),
        within("alike", alike, 0.0, 1.0),
        above("tolerance", tolerance),
        choice_fault("standard_error", standard_error, ("exact", "published")),
    )
    lp, w = _predictors(predictor, weights)
    chance = 1.0 / (1.0 + np.exp(-np.clip(lp, -700, 700)))
    refuse(_share_fault(share, float(w @ chance), tolerance))
    loss = design_effect(eyes_per_patient, alike)
    error = asinh(ratio_width / 2.0) / Z  # exp(1.96 s) - exp(-1.96 s) = width
    if standard_error == "published":
        error = ceil(error * 1e4) / 1e4
    each = chance * (1.0 - chance)
    a, ab, b = (float(w @ (each * lp**power)) for power in (0, 1, 2))
    asked = (
        ceil((1.0 - share) / (share * error**2)),
        ceil(a / ((slope_width / (2.0 * Z)) ** 2 * (a * b - ab**2))),
        _for_concordance(concordance, share, concordance_width),
    )
    ratio, slope, ranked = (ceil(loss * cases) for cases in asked)
    return External(ratio, slope, ranked, max(ratio, slope, ranked) * share, loss)


def _share_fault(share: float, expected: float, tolerance: float) -> Fault | None:
    if abs(expected - share) <= tolerance * min(share, 1.0 - share):
        return None
    what = f"{share:.3g}, and the mean chance of the predictors is {expected:.3g}"
    return Fault("share", what, "the same share in both", "shift the predictors, or raise tolerance")


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
