"""Logarithmic score of the whole course."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from retreat.errors import Fault, TableError
from retreat.validation._checked import Courses, FloatArray, by_session, courses
from retreat.validation.measure import Measure

MEASURES = (Measure("log_score", "logarithmic score", 0.0, np.inf, 0.0, "lower"),)

# sums of float64 probabilities may pass 1 by rounding alone
_ROUNDING = 1e-9


def log_score(
    pmf: ArrayLike, sessions: ArrayLike, ending: ArrayLike, *, weights: ArrayLike | None = None
) -> float:
    r"""Mean of minus the log probability the prediction gave to what was seen of each course.

    A case ended in way j at session k by the horizon gives :math:`-\log p_{ijk}`; one still going on when
    last seen after k sessions gives :math:`-\log S_i(k)`, the share in treatment; what happened after the
    horizon counts as still in treatment at it (Good 1952 [1]_; Gneiting and Raftery 2007 [2]_). From 0, which
    is best, without bound; infinite when something happened that was given probability 0. In natural
    logarithms; n times the score is minus the log likelihood.

    Parameters
    ----------
    pmf : array_like of float, shape (n, ends, horizon) or (n, horizon)
        Predicted probability of ending in each way at exactly each session, in [0, 1], over ends and sessions
        adding to at most 1; without the axis of ends there is one end.
    sessions : array_like of int, shape (n,)
        Sessions of each case, from 1.
    ending : array_like of int, shape (n,)
        0 still going on when last seen, 1..K the end, K being the number of ends of `pmf`.
    weights : array_like of float, shape (n,), optional
        How many cases a row stands for.

    Returns
    -------
    float
        From 0, lower is better.

    Raises
    ------
    TableError
        If the arrays are not of that form or the probabilities of a case add to more than 1.

    Notes
    -----
    A course counts with as many sessions as were seen of it, so scores of two data sets compare only when
    they were followed alike.

    References
    ----------
    .. [1] Good IJ. Rational decisions. J R Stat Soc B 1952;14:107-114 (from memory).
    .. [2] Gneiting T, Raftery AE. Strictly proper scoring rules, prediction, and estimation. JASA
       2007;102:359-378 (from memory).

    Examples
    --------
    >>> round(log_score([[0.5, 0.25], [0.5, 0.25]], [1, 2], [1, 0]), 4)
    1.0397
    """
    array = np.asarray(pmf, dtype=float)
    seen = courses(sessions, ending, weights, n_ends=array.shape[1] if array.ndim == 3 else 1)
    predicted = by_session(array, "pmf", len(seen.sessions))
    total = predicted.sum(axis=(1, 2))
    if np.any(total > 1.0 + _ROUNDING):
        first = int(np.argmax(total > 1.0 + _ROUNDING))
        raise TableError(Fault("pmf", f"case at position {first} adds to {total[first]:.6g}", "at most 1"))
    return float(np.average(contributions(predicted, seen), weights=seen.weights))


def contributions(pmf: FloatArray, seen: Courses) -> FloatArray:
    """Each case's part of the score, shape (n,), for intervals and paired comparisons by patient."""
    n, _, horizon = pmf.shape
    case = np.arange(n)
    staying = np.clip(1.0 - np.cumsum(pmf.sum(axis=1), axis=1), 0.0, 1.0)  # (n, horizon)
    chance = staying[case, np.minimum(seen.sessions, horizon) - 1]
    ended = (seen.ending > 0) & (seen.sessions <= horizon)
    chance[ended] = pmf[case[ended], seen.ending[ended] - 1, seen.sessions[ended] - 1]
    with np.errstate(divide="ignore"):
        return np.asarray(0.0 - np.log(chance))
