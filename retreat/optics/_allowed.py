"""One check of allowed ranges for every argument of the geometry."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def within(values: ArrayLike, name: str, low: float, high: float, unit: str = "") -> FloatArray:
    """Return the values as floats after checking that each is missing (NaN) or in [low, high]."""
    array = np.asarray(values, dtype=np.float64)
    wrong = (array < low) | (array > high)
    if np.any(wrong):
        raise ValueError(
            f"{name}: {np.count_nonzero(wrong)} of {array.size} values outside {low:g} to {high:g}"
            f"{' ' + unit if unit else ''}, the first is {float(array[wrong][0]):g}"
        )
    return array


def above_zero(values: ArrayLike, name: str, high: float, unit: str) -> FloatArray:
    """Return the values as floats after checking that each is missing (NaN) or in (0, high]."""
    array = within(values, name, 0.0, high, unit)
    if np.any(array == 0.0):
        raise ValueError(f"{name}: must be above 0 {unit}")
    return array
