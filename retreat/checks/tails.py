"""Where a number lies among replicated ones."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def two_sided(observed: float, replicated: FloatArray) -> float:
    """Twice the smaller tail of the replicated numbers, equal ones counted half; NaN where either is not told.

    At least 1 in as many as there are replicates, as none of them can show less.

    Examples
    --------
    >>> two_sided(3.0, np.array([1.0, 2.0, 3.0, 4.0]))
    0.75
    >>> two_sided(9.0, np.array([1.0, 2.0, 3.0, 4.0]))
    0.25
    """
    known = replicated[np.isfinite(replicated)]
    if not np.isfinite(observed) or not len(known):
        return float("nan")
    below = float((known < observed).mean() + 0.5 * (known == observed).mean())
    return max(2.0 * min(below, 1.0 - below), 1.0 / len(known))


def range_of(replicated: FloatArray, level: float) -> tuple[float, float]:
    """Middle part of the replicated numbers; NaN where there are none."""
    known = replicated[np.isfinite(replicated)]
    if not len(known):
        return float("nan"), float("nan")
    low, high = np.quantile(known, ((1 - level) / 2, (1 + level) / 2))
    return float(low), float(high)
