"""What a session removed, proposed close to what its grade says."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from retreat.model.history.state import LOW_ANGLE, TOP_ANGLE

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
    error: FloatArray,
    standard: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Log r close to what the grade says, and the log weight of having taken it from there."""
    low, top = grade <= LOW_ANGLE, grade >= TOP_ANGLE
    at = mean.copy()
    target = np.clip(grade, LOW_ANGLE, TOP_ANGLE)
    for _ in range(_GAUSS_NEWTON_STEPS):
        angle, slope = _angle(removed, at)
        pull = slope / error**2
        at = at + np.clip(
            ((mean - at) / spread**2 + pull * (target - angle)) / (1.0 / spread**2 + pull * slope), -1.5, 1.5
        )
    _, slope = _angle(removed, at)
    width = _WIDER / np.sqrt(1.0 / spread**2 + (slope / error) ** 2)
    taken = at + width * standard
    angle, _ = _angle(removed, taken)
    far = (grade - angle) / error
    likelihood = -0.5 * far**2 - np.log(error * ROOT_2PI)
    if top.any():
        likelihood = np.where(top, _log_normal_below((angle - TOP_ANGLE) / error), likelihood)
    if low.any():
        likelihood = np.where(low, _log_normal_below((LOW_ANGLE - angle) / error), likelihood)
    prior = -0.5 * ((taken - mean) / spread) ** 2 - np.log(spread)
    return taken, likelihood + prior + 0.5 * standard**2 + np.log(width)


def _angle(removed: FloatArray, log_r: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Share cleared on the angular scale, and its slope in log r."""
    r = np.exp(np.clip(log_r, -12.0, 4.0))
    left = np.clip(np.exp(-removed - r), 1e-12, 1.0)
    share = np.maximum(1.0 - left, 1e-12)
    # d arcsin(sqrt(c)) / dc = 1 / (2 sqrt(c (1 - c))), dc / dlog r = (1 - c) r
    return np.arcsin(np.sqrt(share)), 0.5 * r * np.sqrt(left / share)


def _log_normal_below(z: FloatArray) -> FloatArray:
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
