"""Quantiles of weighted values and intervals of a share."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike

from retreat.validation._checked import FloatArray

Interval = tuple[float, float]


def normal_quantile(level: float) -> float:
    """How many standard errors an interval of this level reaches to each side."""
    if not 0.0 < level < 1.0:
        raise ValueError(f"level {level!r} must lie between 0 and 1, for example 0.95")
    return NormalDist().inv_cdf(0.5 + level / 2.0)


def quantile(values: FloatArray, weights: FloatArray, probabilities: ArrayLike) -> FloatArray:
    """Quantiles with a row of weight 2 taken as two rows; for weights 1 those of ``numpy.quantile``.

    Examples
    --------
    >>> quantile(np.array([1.0, 2.0]), np.array([2.0, 1.0]), [0.5, 0.75]).tolist()
    [1.0, 1.5]
    """
    order = np.argsort(values, kind="stable")
    order = order[weights[order] > 0]
    x, until = values[order], np.cumsum(weights[order])
    position = max(until[-1] - 1.0, 0.0) * np.asarray(probabilities, dtype=float)
    whole = np.floor(position)
    low = x[np.minimum(np.searchsorted(until, whole, side="right"), len(x) - 1)]
    high = x[np.minimum(np.searchsorted(until, whole + 1.0, side="right"), len(x) - 1)]
    return np.asarray(low + (position - whole) * (high - low))


def wilson(share: float, n: float, level: float) -> Interval:
    """Interval of a share seen in n cases (Wilson 1927, from memory); never outside [0, 1], never empty.

    With clustered or lost cases n is the number of independent cases that would give the share its standard
    error (Korn and Graubard 1998, from memory).

    Examples
    --------
    >>> [round(end, 4) for end in wilson(0.0, 10, 0.95)]
    [0.0, 0.2775]
    """
    if not (np.isfinite(share) and n > 0):
        return (float("nan"), float("nan"))
    z = normal_quantile(level)
    centre = (share + z * z / (2.0 * n)) / (1.0 + z * z / n)
    half = z / (1.0 + z * z / n) * np.sqrt(max(share * (1.0 - share), 0.0) / n + z * z / (4.0 * n * n))
    return (max(0.0, float(centre - half)), min(1.0, float(centre + half)))


def around(value: float, standard_error: float, level: float) -> Interval:
    """Value plus and minus its standard errors."""
    reach = normal_quantile(level) * standard_error
    return (value - reach, value + reach)
