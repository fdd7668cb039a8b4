"""How long each case would have been followed: seen where a case was lost, drawn where it ended."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from retreat.counts import check_courses

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# a case nobody would have lost is followed for as many sessions as a table may hold
LONGEST = 40


def followed_past(sessions: IntArray, ending: IntArray) -> FloatArray:
    """Chance of being followed past each session, shape (last session + 1,), from 1 after none.

    Kaplan and Meier's estimate with loss as the event; cases that end at a session are not at risk of loss after it.

    Parameters
    ----------
    sessions, ending : ndarray of int, shape (cases,)
        Last sessions; 0 still in treatment when last seen, 1..K the end.

    Examples
    --------
    >>> followed_past(np.array([1, 1, 2, 2]), np.array([0, 1, 0, 1])).round(4).tolist()
    [1.0, 0.6667, 0.0]
    """
    last = int(sessions.max())
    reached = (sessions[:, None] >= np.arange(1, last + 1)).sum(axis=0)
    ended = np.bincount(sessions[ending > 0], minlength=last + 1)[1:]
    lost = np.bincount(sessions[ending == 0], minlength=last + 1)[1:]
    left = reached - ended
    kept = 1.0 - np.divide(lost, left, out=np.zeros(last), where=left > 0)
    return np.concatenate([[1.0], np.cumprod(kept)])


def drawn_follow_up(
    sessions: IntArray, ending: IntArray, *, replicates: int, seed: int | np.random.Generator
) -> IntArray:
    """Sessions after which each case would have been lost if it had not ended, in each replicate.

    A case that was lost, or was still in treatment when the books closed, keeps the session it was last seen at. One
    that ended would have been followed at least so far; how much longer is drawn from the estimate of
    :func:`followed_past`, given that it was followed so far (a completed data set, as in Gelman, Van Mechelen,
    Verbeke, Heitjan and Meulders 2005 [1]_). What the estimate leaves open past the last session seen is followed for
    as many sessions as a table may hold, 40.

    Parameters
    ----------
    sessions, ending : ndarray of int, shape (cases,)
        As for :func:`followed_past`.
    replicates : int
        How many.
    seed : int or numpy.random.Generator
        Of the draws.

    Returns
    -------
    ndarray of int, shape (replicates, cases)
        At least `sessions`.

    Notes
    -----
    Cases must be lost for reasons that say nothing of how they would have gone on.

    References
    ----------
    .. [1] Gelman A, Van Mechelen I, Verbeke G, Heitjan DF, Meulders M. Multiple imputation for model checking.
       Biometrics 2005;61:74-85 (from memory).

    Examples
    --------
    >>> found = drawn_follow_up(np.array([2, 1, 1]), np.array([0, 1, 1]), replicates=2, seed=1)
    >>> found.tolist()  # only one case can be lost, after session 2
    [[2, 2, 2], [2, 2, 2]]
    """
    sessions, ending = check_courses(sessions, ending)
    rng = np.random.default_rng(seed)
    past = followed_past(sessions, ending)
    out = np.tile(sessions, (replicates, 1))
    ended = np.flatnonzero(ending > 0)
    # followed past session k where a uniform number lies below the chance of it, given the sessions had
    threshold = rng.random((replicates, len(ended))) * past[sessions[ended] - 1]
    n_past = np.searchsorted(-past[1:], -threshold, side="left")  # sessions with a chance above the threshold
    out[:, ended] = np.where(n_past == len(past) - 1, LONGEST, n_past + 1)
    return np.maximum(out, sessions)
