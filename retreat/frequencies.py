"""Counts of 100 that add up: probabilities turned into whole figures for a counselling sheet."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def counts_of(probabilities: ArrayLike, total: int = 100) -> NDArray[np.int64]:
    """Whole counts proportional to the probabilities that sum to the total (largest remainder).

    Each probability times the total is rounded down; the figures still missing go to the largest
    remainders, ties to the earlier entry (Hamilton's method, Balinski and Young 1982 [1]_).

    Parameters
    ----------
    probabilities : array_like of float, shape (..., states)
        Non-negative, each last axis summing to 1.
    total : int, at least 1
        How many figures to hand out.

    Returns
    -------
    ndarray of int, shape (..., states)
        Counts; each last axis sums to `total`, each count within 1 of its exact share.

    Raises
    ------
    ValueError
        If a probability is negative or not finite, a last axis does not sum to 1 within 1e-6, or
        `total` is below 1.

    References
    ----------
    .. [1] Balinski ML, Young HP. Fair Representation. Yale University Press, 1982 (from memory).

    Examples
    --------
    >>> counts_of([0.455, 0.455, 0.09]).tolist()
    [46, 45, 9]
    """
    if total < 1:
        raise ValueError(f"total {total!r} is below 1")
    shares = np.asarray(probabilities, dtype=float)
    if not np.all(np.isfinite(shares)) or np.any(shares < -1e-12):
        raise ValueError("probabilities must be finite and not negative")
    if not np.allclose(shares.sum(axis=-1), 1.0, atol=1e-6):
        raise ValueError("probabilities must sum to 1 over the last axis")
    shares = np.clip(shares, 0.0, None)
    exact = shares / shares.sum(axis=-1, keepdims=True) * total
    counts = np.floor(exact).astype(np.int64)
    missing = total - counts.sum(axis=-1)  # (...)
    # remainders that differ by rounding error alone are tied
    order = np.argsort(-np.round(exact - counts, 9), axis=-1, kind="stable")
    rank = np.argsort(order, axis=-1, kind="stable")
    return np.asarray(counts + (rank < missing[..., None]))
