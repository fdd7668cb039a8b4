"""Concordance: whether a case in which it happened has the higher probability."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from retreat.validation._checked import binary
from retreat.validation.measure import Measure

MEASURES = (Measure("concordance", "concordance (area under the ROC curve)", 0.0, 1.0, 1.0, "higher"),)


def concordance(probabilities: ArrayLike, outcomes: ArrayLike, *, weights: ArrayLike | None = None) -> float:
    r"""Share of pairs, one case with the event and one without, in which the former was given the more.

    Ties count half: :math:`[\#(p_1 > p_0) + \#(p_1 = p_0) / 2] / (n_1 n_0)`, the area under the ROC curve
    (Hanley and McNeil 1982 [1]_), found by ranks. From 0 to 1, which is best; 0.5 is no better than chance.

    Parameters
    ----------
    probabilities : array_like of float, shape (n,)
        Predicted probabilities in [0, 1]; only their order matters.
    outcomes : array_like of int or bool, shape (n,)
        1 where it happened, 0 where not.
    weights : array_like of float, shape (n,), optional
        How many cases a row stands for.

    Returns
    -------
    float
        In [0, 1], higher is better; NaN if all outcomes are equal, because there is no pair.

    Raises
    ------
    TableError
        If a probability is outside [0, 1], an outcome neither 0 nor 1, or lengths differ.

    References
    ----------
    .. [1] Hanley JA, McNeil BJ. The meaning and use of the area under a receiver operating characteristic
       (ROC) curve. Radiology 1982;143:29-36 (from memory).

    Examples
    --------
    >>> concordance([0.9, 0.4, 0.4, 0.1], [1, 1, 0, 0])
    0.875
    """
    p, y, weight = binary(probabilities, outcomes, weights)
    _, place = np.unique(p, return_inverse=True)
    with_event = np.bincount(place, weight * y)  # by distinct probability, rising
    without = np.bincount(place, weight * (1.0 - y))
    pairs = with_event.sum() * without.sum()
    if pairs == 0:
        return float("nan")
    below = np.cumsum(without) - without
    return float(with_event @ (below + 0.5 * without) / pairs)
