"""Brier score of the incidence of an end by a session, with cases lost on the way."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from retreat.validation._checked import FloatArray, chosen, courses, predictions
from retreat.validation.censoring import AtHorizon, known_weights
from retreat.validation.measure import Measure

# single weighted terms can pass 1, so the range of the score has no upper bound
MEASURES = (Measure("brier_at", "Brier score at a session", 0.0, np.inf, 0.0, "lower"),)


def brier_at(
    incidence: ArrayLike,
    sessions: ArrayLike,
    ending: ArrayLike,
    *,
    end: int,
    horizon: int,
    at_horizon: AtHorizon = "known",
    weights: ArrayLike | None = None,
) -> float:
    r"""Brier score of the probability of having ended in one way by a session.

    :math:`\frac{1}{n} \sum_i w_i (F_i - y_i)^2`, where :math:`y_i` tells whether case i ended in that way by
    the horizon and :math:`w_i` is the inverse probability of that being known
    (:func:`~retreat.validation.censoring_weights`; Graf and others 1999 [1]_). A case that ended in another
    way has :math:`y_i = 0`. From 0, which is best. Predicting the Aalen-Johansen incidence F for all gives
    exactly F (1 - F).

    Parameters
    ----------
    incidence : array_like of float, shape (n,)
        Predicted cumulative incidence of `end` by `horizon`, in [0, 1], from before the first session.
    sessions : array_like of int, shape (n,)
        Sessions of each case, from 1.
    ending : array_like of int, shape (n,)
        0 still going on when last seen, 1..K the end.
    end : int
        Which end, 1..K.
    horizon : int
        By which session.
    at_horizon : {"known", "unknown"}
        As for :func:`~retreat.validation.censoring_weights`.
    weights : array_like of float, shape (n,), optional
        How many cases a row stands for.

    Returns
    -------
    float
        From 0, lower is better; NaN if nobody was followed to the horizon although some were lost before.

    Raises
    ------
    TableError
        If the arrays, the end or the horizon are not of that form.

    References
    ----------
    .. [1] Graf E, Schmoor C, Sauerbrei W, Schumacher M. Assessment and comparison of prognostic
       classification schemes for survival data. Stat Med 1999;18:2529-2545 (from memory).

    Examples
    --------
    >>> round(brier_at([0.8, 0.5, 0.3, 0.6, 0.1], [1, 1, 2, 2, 3], [1, 0, 2, 1, 0], end=1, horizon=2), 4)
    0.0773
    """
    chosen(end=end, horizon=horizon)
    seen = courses(sessions, ending, weights)
    p = predictions(incidence, "incidence", seen)
    happened = (seen.ending == end) & (seen.sessions <= horizon)
    known = known_weights(seen, horizon, at_horizon)
    return float(np.average(contributions(p, happened, known), weights=seen.weights))


def contributions(incidence: FloatArray, happened: np.ndarray, known: FloatArray) -> FloatArray:
    """Each case's part of the score, shape (n,), for intervals and paired comparisons by patient."""
    return np.asarray(known * (incidence - happened) ** 2)
