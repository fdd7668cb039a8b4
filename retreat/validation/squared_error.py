"""Brier score of a yes-or-no outcome."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from retreat.validation._checked import FloatArray, binary
from retreat.validation.measure import Measure

MEASURES = (Measure("brier", "Brier score", 0.0, 1.0, 0.0, "lower"),)


def brier(probabilities: ArrayLike, outcomes: ArrayLike, *, weights: ArrayLike | None = None) -> float:
    r"""Mean squared distance between the probability and what happened: the Brier score.

    :math:`\sum_i w_i (p_i - y_i)^2 / \sum_i w_i` (Brier 1950 [1]_). From 0, which is best, to 1. Predicting
    the share of events for all gives share times (1 - share); a half for all gives 0.25.

    Parameters
    ----------
    probabilities : array_like of float, shape (n,)
        Predicted probabilities in [0, 1].
    outcomes : array_like of int or bool, shape (n,)
        1 where it happened, 0 where not.
    weights : array_like of float, shape (n,), optional
        How many cases a row stands for.

    Returns
    -------
    float
        In [0, 1]; lower is better.

    Raises
    ------
    TableError
        If a probability is outside [0, 1], an outcome neither 0 nor 1, or lengths differ.

    References
    ----------
    .. [1] Brier GW. Verification of forecasts expressed in terms of probability. Mon Weather Rev
       1950;78:1-3 (from memory).

    Examples
    --------
    >>> round(brier([0.9, 0.2, 0.5], [1, 0, 0]), 4)
    0.1
    """
    p, y, weight = binary(probabilities, outcomes, weights)
    return float(np.average(contributions(p, y), weights=weight))


def contributions(probabilities: FloatArray, outcomes: FloatArray) -> FloatArray:
    """Each case's part of the score, shape (n,), for intervals and paired comparisons by patient."""
    return np.asarray((probabilities - outcomes) ** 2)
