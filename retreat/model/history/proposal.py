"""What a session removed, proposed close to what its grade says."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from retreat.model.history.state import EDGE, grade_variance

FloatArray = NDArray[np.float64]

_GAUSS_NEWTON_STEPS = 3
# the proposal is a little wider than the target, so that no weight is large
_WIDER = 1.25
ROOT_2PI = float(np.sqrt(2 * np.pi))


def proposed(
    mean: FloatArray,
    spread: FloatArray,
    removed: FloatArray,
    grade: FloatArray,
    error: tuple[FloatArray, FloatArray],
    standard: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Log r close to what the grade says, and the log weight of having taken it from there."""
    low, top = grade <= EDGE, grade >= 1.0 - EDGE
    at = mean.copy()
    target = np.clip(grade, EDGE, 1.0 - EDGE)
    for _ in range(_GAUSS_NEWTON_STEPS):
        share, slope = _share(removed, at)
        pull = slope / grade_variance(share, *error)
        at = at + np.clip(
            ((mean - at) / spread**2 + pull * (target - share)) / (1.0 / spread**2 + pull * slope), -1.5, 1.5
        )
    share, slope = _share(removed, at)
    width = _WIDER / np.sqrt(1.0 / spread**2 + slope**2 / grade_variance(share, *error))
    taken = at + width * standard
    share, _ = _share(removed, taken)
    off = np.sqrt(grade_variance(share, *error))
    far = (grade - share) / off
    likelihood = -0.5 * far**2 - np.log(off * ROOT_2PI)
    if top.any():
        likelihood = np.where(top, log_normal_below((share - (1.0 - EDGE)) / off), likelihood)
    if low.any():
        likelihood = np.where(low, log_normal_below((EDGE - share) / off), likelihood)
    prior = -0.5 * ((taken - mean) / spread) ** 2 - np.log(spread)
    return taken, likelihood + prior + 0.5 * standard**2 + np.log(width)


def _share(removed: FloatArray, log_r: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Share cleared, and its slope in log r."""
    r = np.exp(np.clip(log_r, -12.0, 4.0))
    left = np.exp(-removed - r)
    return 1.0 - left, r * left


def log_normal_below(z: FloatArray) -> FloatArray:
    """Log of the normal distribution function (Abramowitz and Stegun 7.1.26, its tail as Mills; from memory)."""
    x = np.abs(z) / np.sqrt(2.0)
    t = 1.0 / (1.0 + 0.3275911 * x)
    poly = t * (0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429))))
    tail = 0.5 * poly * np.exp(-(x**2))
    deep = np.abs(z) > 4
    with np.errstate(divide="ignore"):
        small = np.where(
            deep,
            -0.5 * z**2
            - np.log(np.maximum(np.abs(z), 1.0) * ROOT_2PI)
            + np.log1p(-1.0 / np.maximum(z**2, 4.0)),
            np.log(np.maximum(tail, 1e-300)),
        )
    return np.asarray(np.where(z < 0, small, np.log1p(-np.minimum(tail, 0.5))))
