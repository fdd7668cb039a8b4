"""Restricted cubic splines: knots by Harrell's quantiles, basis by his formula."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from retreat.errors import Fault, FitError

FloatArray = NDArray[np.float64]

# Harrell 2015, Regression Modeling Strategies, 2nd ed., table 2.3: default knot quantiles (values agree with
# R Hmisc rcspline.eval, see tests/external)
_KNOT_QUANTILES = {
    3: (0.10, 0.50, 0.90),
    4: (0.05, 0.35, 0.65, 0.95),
    5: (0.05, 0.275, 0.50, 0.725, 0.95),
    6: (0.05, 0.23, 0.41, 0.59, 0.77, 0.95),
    7: tuple(np.linspace(0.025, 0.975, 7)),
}


def spline_knots(values: ArrayLike, n_knots: int) -> tuple[float, ...]:
    """Knots at Harrell's default quantiles of the values (Harrell 2015, table 2.3).

    With 10 to 99 values the outer knots are the fifth smallest and fifth largest, as in `rcspline.eval` of
    R's Hmisc (source read); its further rules for ties and for few distinct values are not followed.

    Parameters
    ----------
    values : array_like of float, shape (n,)
        Observed values, none missing.
    n_knots : int, 3 to 7
        How many.

    Returns
    -------
    tuple of float
        Strictly rising knots.

    Raises
    ------
    FitError
        If there are fewer distinct values than knots, or the knots coincide.

    Examples
    --------
    >>> spline_knots(np.arange(1, 1001), 3)
    (100.9, 500.5, 900.1)
    """
    x = np.sort(np.asarray(values, dtype=float))
    n_distinct = len(np.unique(x))
    refusal = FitError(
        Fault(
            "spline",
            f"{n_distinct} distinct values do not separate {n_knots} knots",
            fix="use fewer knots or a linear term",
        )
    )
    if n_distinct < n_knots:  # fewer values than the columns and the constant could tell apart
        raise refusal
    knots = np.quantile(x, _KNOT_QUANTILES[n_knots])
    if 10 <= len(x) < 100:
        knots[0], knots[-1] = x[4], x[-5]
    if np.any(np.diff(knots) <= 0):
        raise refusal
    return tuple(float(k) for k in knots)


def spline_basis(values: ArrayLike, knots: Sequence[float]) -> FloatArray:
    """Restricted cubic spline basis: linear beyond the outer knots (Stone and Koo 1985; Harrell 2015, eq. 2.25).

    Columns are the value itself and, for j = 1..k-2,
    ((x-t_j)+^3 - (x-t_{k-1})+^3 (t_k-t_j)/(t_k-t_{k-1}) + (x-t_k)+^3 (t_{k-1}-t_j)/(t_k-t_{k-1})) / (t_k-t_1)^2.

    Parameters
    ----------
    values : array_like of float, shape (n,)
        Points.
    knots : sequence of float, rising, at least 3
        Knots t_1..t_k.

    Returns
    -------
    ndarray of float, shape (n, k - 1)

    Examples
    --------
    >>> spline_basis([7.0], [2.0, 4.0, 6.0, 9.0]).round(4).tolist()
    [[7.0, 2.5034, 0.517]]
    """
    x = np.asarray(values, dtype=float)
    t = np.asarray(knots, dtype=float)
    cubes = np.clip(x[:, None] - t, 0.0, None) ** 3  # (n, knots)
    last, before = t[-1], t[-2]
    inner = t[:-2]
    curved = (
        cubes[:, :-2]
        - cubes[:, [-2]] * (last - inner) / (last - before)
        + cubes[:, [-1]] * (before - inner) / (last - before)
    ) / (last - t[0]) ** 2
    return np.concatenate([x[:, None], curved], axis=1)
