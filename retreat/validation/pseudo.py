"""Pseudo-values: what each case adds to the observed incidence, usable as its outcome when some were lost."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from retreat.validation._checked import Courses, FloatArray, chosen, courses, whole
from retreat.validation.observed import product_limit, risk_sets


def pseudo_values(
    sessions: ArrayLike, ending: ArrayLike, *, end: int, horizon: int, weights: ArrayLike | None = None
) -> FloatArray:
    r"""Jackknife pseudo-values of the incidence of an end by a session.

    :math:`\theta_i = n F - (n - 1) F_{-i}`, with F the Aalen-Johansen incidence of all n cases and
    :math:`F_{-i}` that without case i (Andersen, Klein and Rosthoj 2003 [1]_; Andersen and Perme 2010 [2]_).
    Their expectation given the features is the case's incidence, whether or not it was lost. When nobody is
    lost before the horizon they are exactly 1 for a case that ended so and 0 for any other.

    Cases with the same sessions and ending share a value, so one estimate a distinct pair is enough and the
    values are exact at any n.

    Parameters
    ----------
    sessions : array_like of int, shape (n,)
        Sessions of each case, from 1.
    ending : array_like of int, shape (n,)
        0 still going on when last seen, 1..K the end.
    end : int
        Which end, 1..K.
    horizon : int
        By which session.
    weights : array_like of int, shape (n,), optional
        How many cases a row stands for, whole numbers.

    Returns
    -------
    ndarray of float, shape (n,)
        May lie outside [0, 1]; all NaN if nobody was followed to the horizon although some were lost before.

    Raises
    ------
    TableError
        If the arrays, the end or the horizon are not of that form.

    Notes
    -----
    Cases must be lost for reasons that have nothing to do with their features either. Where a case was
    the only one at risk, the estimate without it is carried on from the session before.

    References
    ----------
    .. [1] Andersen PK, Klein JP, Rosthoj S. Generalised linear models for correlated pseudo-observations,
       with applications to multi-state models. Biometrika 2003;90:15-27 (from memory).
    .. [2] Andersen PK, Perme MP. Pseudo-observations in survival analysis. Stat Methods Med Res
       2010;19:71-99 (from memory).

    Examples
    --------
    >>> pseudo_values([1, 1, 2, 2, 3], [1, 0, 2, 1, 0], end=1, horizon=2).round(4).tolist()
    [1.0, 0.3333, -0.1667, 1.3333, -0.1667]
    """
    chosen(end=end, horizon=horizon)
    seen = courses(sessions, ending, weights)
    whole(seen.weights)
    return values_of(seen, end, horizon)


def values_of(seen: Courses, end: int, horizon: int) -> FloatArray:
    """The values of :func:`pseudo_values` for checked courses."""
    at_risk, events = risk_sets(seen, horizon)
    if end > seen.n_ends:
        events = np.concatenate([events, np.zeros((end - seen.n_ends, horizon))])
    n = seen.weights.sum()
    incidence, staying = product_limit(events, at_risk)
    if at_risk[-1] == 0 and staying[-1] > 0:
        return np.full(len(seen.sessions), np.nan)
    # what happened after the horizon does not matter, so all cases beyond it are one kind
    last = np.minimum(seen.sessions, horizon + 1)
    kind = np.where(last <= horizon, seen.ending, 0)
    kinds, case = np.unique(np.stack([last, kind]), axis=1, return_inverse=True)
    fewer_at_risk, fewer_events = without_one(at_risk, events, kinds)
    without, _ = product_limit(fewer_events, fewer_at_risk)  # (kinds, ends, horizon)
    values = n * incidence[end - 1, -1] - (n - 1.0) * without[:, end - 1, -1]
    return np.asarray(values[case.ravel()])


def without_one(at_risk: FloatArray, events: FloatArray, kinds: np.ndarray) -> tuple[FloatArray, FloatArray]:
    """Counts without one case of each kind: at risk (..., kinds, horizon) and ended (..., kinds, ends, horizon).

    Takes counts at risk (..., horizon) and ended (..., ends, horizon), and last session and ending of each kind,
    shape (2, kinds).
    """
    last, ending = kinds
    horizon = at_risk.shape[-1]
    had = np.arange(1, horizon + 1) <= last[:, None]
    fewer_at_risk = np.clip(at_risk[..., None, :] - had, 0.0, None)
    fewer_events = np.repeat(events[..., None, :, :], len(last), axis=-3)
    ended = np.flatnonzero(ending > 0)
    fewer_events[..., ended, ending[ended] - 1, last[ended] - 1] -= 1.0
    return fewer_at_risk, np.clip(fewer_events, 0.0, None)
