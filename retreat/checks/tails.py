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


def two_sided_each(replicated: FloatArray) -> FloatArray:
    """The same of each replicated number among all, shape as given (replicates along the last axis); NaN is 1."""
    out = np.ones_like(replicated)
    for values, p in zip(
        replicated.reshape(-1, replicated.shape[-1]), out.reshape(-1, out.shape[-1]), strict=True
    ):
        known = np.isfinite(values)
        ordered = np.sort(values[known])
        if len(ordered):
            below = np.searchsorted(ordered, values[known], "left")
            upto = np.searchsorted(ordered, values[known], "right")
            share = (below + upto) / (2.0 * len(ordered))
            p[known] = np.maximum(2.0 * np.minimum(share, 1.0 - share), 1.0 / len(ordered))
    return out


def range_of(replicated: FloatArray, level: float) -> tuple[float, float]:
    """Middle part of the replicated numbers; NaN where there are none."""
    known = replicated[np.isfinite(replicated)]
    if not len(known):
        return float("nan"), float("nan")
    low, high = np.quantile(known, ((1 - level) / 2, (1 + level) / 2))
    return float(low), float(high)
