"""Ranked probability score: the Brier scores of all sessions and ends added up."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from retreat.validation._checked import Courses, FloatArray, by_session, courses
from retreat.validation.censoring import known_weights
from retreat.validation.measure import Measure

MEASURES = (Measure("rps", "ranked probability score", 0.0, np.inf, 0.0, "lower"),)


def rps(
    incidence: ArrayLike, sessions: ArrayLike, ending: ArrayLike, *, weights: ArrayLike | None = None
) -> float:
    r"""Ranked probability score of the predicted course.

    :math:`\frac{1}{n} \sum_i \sum_{k \le h} w_{ik} \sum_j (F_{ijk} - O_{ijk})^2`, where :math:`O_{ijk}` tells
    whether case i ended in way j by session k and :math:`w_{ik}` is the inverse probability of that being
    known (:func:`~retreat.validation.censoring_weights`). With one end and nobody lost before the horizon it
    is the score of Epstein 1969 [1]_, the discrete form of the continuous ranked probability score, summed
    over the cut points and not divided by their number. From 0, which is best, to the number of sessions
    times the number of ends, or more by the weights of the cases known.

    Parameters
    ----------
    incidence : array_like of float, shape (n, ends, horizon) or (n, horizon)
        Predicted cumulative incidences in [0, 1], from before the first session; without the axis of ends
        there is one end.
    sessions : array_like of int, shape (n,)
        Sessions of each case, from 1.
    ending : array_like of int, shape (n,)
        0 still going on when last seen, 1..K the end, K being the number of ends of `incidence`.
    weights : array_like of float, shape (n,), optional
        How many cases a row stands for.

    Returns
    -------
    float
        From 0, lower is better; NaN if nobody was followed to the horizon although some were lost before.

    Raises
    ------
    TableError
        If the arrays are not of that form.

    References
    ----------
    .. [1] Epstein ES. A scoring system for probability forecasts of ranked categories. J Appl Meteorol
       1969;8:985-987 (from memory).

    Examples
    --------
    >>> round(rps([[0.5, 0.75], [0.5, 0.75]], [1, 2], [1, 0]), 4)
    0.5625
    """
    array = np.asarray(incidence, dtype=float)
    seen = courses(sessions, ending, weights, n_ends=array.shape[1] if array.ndim == 3 else 1)
    predicted = by_session(array, "incidence", len(seen.sessions))
    return float(np.average(contributions(predicted, seen), weights=seen.weights))


def contributions(incidence: FloatArray, seen: Courses) -> FloatArray:
    """Each case's part of the score, shape (n,), for intervals and paired comparisons by patient."""
    _, ends, horizon = incidence.shape
    total = np.zeros(len(incidence))
    for k in range(1, horizon + 1):
        happened = (seen.ending[:, None] == np.arange(1, ends + 1)) & (seen.sessions <= k)[:, None]
        total += known_weights(seen, k) * ((incidence[:, :, k - 1] - happened) ** 2).sum(axis=1)
    return total
