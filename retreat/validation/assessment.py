"""From predictions and outcomes to the record of their agreement, whatever kind the outcomes are."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from retreat.validation import smooth
from retreat.validation._checked import BoolArray, FloatArray
from retreat.validation._spread import Interval, around, quantile
from retreat.validation.agreement_record import Calibration, Points
from retreat.validation.recalibration import Sample, recalibrate

# the observed share of the cases marked, and its interval
Share = Callable[[BoolArray], tuple[float, Interval]]
_FIFTHS = (0.2, 0.4, 0.6, 0.8)
_NO_CURVE = "no smooth curve could be fitted"


def assess(sample: Sample, share: Share, level: float) -> Calibration:
    """Every number of a :class:`~retreat.validation.Calibration`."""
    observed, interval = share(np.ones(len(sample.p), dtype=bool))
    expected = float(np.average(sample.p, weights=sample.weights))
    found = recalibrate(sample)
    smoother = smooth.smooth(sample)
    ici, e50, e90, emax = smooth.distances(smoother, sample) if smoother else (np.nan,) * 4
    reasons = [found.reason] + ([] if smoother or sample.obstacle() else [_NO_CURVE])
    if expected == 0:
        reasons.append("all predictions are 0, so observed has no ratio to expected")
    return Calibration(
        n=float(sample.weights.sum()),
        observed=observed,
        observed_interval=interval,
        expected=expected,
        observed_expected=_ratio(observed, expected),
        observed_expected_interval=(_ratio(interval[0], expected), _ratio(interval[1], expected)),
        in_the_large=found.in_the_large[0],
        in_the_large_standard_error=found.in_the_large[1],
        in_the_large_interval=around(*found.in_the_large, level),
        slope=found.slope[0],
        slope_standard_error=found.slope[1],
        slope_interval=around(*found.slope, level),
        intercept=found.intercept[0],
        intercept_standard_error=found.intercept[1],
        intercept_interval=around(*found.intercept, level),
        unreliability=found.unreliability,
        unreliability_p=float(np.exp(-found.unreliability / 2.0)),  # chi-squared, 2 degrees of freedom
        ici=ici,
        e50=e50,
        e90=e90,
        emax=emax,
        smoother=smoother.name if smoother else "none",
        curve=smooth.curve(smoother, sample, level) if smoother else None,
        points=grouped(sample.p, sample.weights, share),
        level=level,
        reason="; ".join(reason for reason in reasons if reason),
    )


def grouped(p: FloatArray, weights: FloatArray, share: Share) -> Points:
    """Observed shares by fifths of the prediction; equal predictions stay together."""
    edges = np.unique(quantile(p, weights, _FIFTHS))
    fifth = np.searchsorted(edges, p, side="left")
    fifth[weights == 0] = -1
    marks = [fifth == number for number in np.unique(fifth[fifth >= 0])]
    seen = [share(mark) for mark in marks]
    return Points(
        n=np.array([weights[mark].sum() for mark in marks]),
        predicted=np.array([np.average(p[mark], weights=weights[mark]) for mark in marks]),
        observed=np.array([observed for observed, _ in seen]),
        low=np.array([interval[0] for _, interval in seen]),
        high=np.array([interval[1] for _, interval in seen]),
    )


def _ratio(observed: float, expected: float) -> float:
    return observed / expected if expected > 0 else float("nan")
