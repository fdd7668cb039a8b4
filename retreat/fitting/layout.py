"""Which parameters are free: session effects free, smooth or linear, late ones pooled, impossible ones fixed."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from retreat.counts import RiskSets
from retreat.fitting.newton import Evaluation, Penalty

FloatArray = NDArray[np.float64]
SessionEffect = Literal["free", "smooth", "linear"]
# what to do with an end never seen at a session: hazard 0, the exact maximum, or an estimate (Firth, priors)
Unseen = Literal["impossible", "estimated"]

# Effect of a session at which every case at risk ended, so large that the columns cannot undo it: the chance of
# going on is then e^-40 (logit) or exp(-e^40) (cloglog)
CERTAIN = 40.0


@dataclass(frozen=True)
class Layout:
    """Map from the free parameters to all coefficients and session effects.

    All parameters stand as ``full = matrix @ theta + offset``: coefficients end by end, then session
    effects end by end. An end never seen at a session with free effects has session effect minus
    infinity there (`impossible`), its exact maximum likelihood estimate.

    Parameters
    ----------
    matrix : ndarray of float, shape (ends * (columns + sessions), free)
        Linear map.
    offset : ndarray of float, shape (ends * (columns + sessions),)
        Fixed part.
    impossible : ndarray of bool, shape (ends, sessions)
        Where an end is given hazard 0.
    n_ends, n_columns, n_sessions : int
        Sizes.
    """

    matrix: FloatArray
    offset: FloatArray
    impossible: NDArray[np.bool_]
    n_ends: int
    n_columns: int
    n_sessions: int

    @property
    def n_coefficients(self) -> int:
        """Ends times columns; the first free parameters are these."""
        return self.n_ends * self.n_columns

    @property
    def unlearned(self) -> NDArray[np.bool_]:
        """Coefficients of ends that were never seen, shape (free,): the likelihood says nothing of them."""
        out = np.zeros(self.matrix.shape[1], dtype=bool)
        out[: self.n_coefficients] = np.repeat(self.impossible.all(axis=1), self.n_columns)
        return out

    def split(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Coefficients (ends, columns) and session effects (ends, sessions) of free parameters."""
        full = self.matrix @ theta + self.offset
        effects = full[self.n_coefficients :].reshape(self.n_ends, self.n_sessions)
        return full[: self.n_coefficients].reshape(self.n_ends, self.n_columns), np.where(
            self.impossible, -np.inf, effects
        )

    def free(self, evaluation: Evaluation) -> Evaluation:
        """The evaluation over all parameters, seen from the free ones."""
        return Evaluation(
            evaluation.value,
            self.matrix.T @ evaluation.gradient,
            self.matrix.T @ evaluation.information @ self.matrix,
        )


def lay_out(
    sets: RiskSets,
    effect: SessionEffect,
    *,
    pool_below: float,
    unseen: Unseen,
) -> Layout:
    """Layout for these courses.

    Parameters
    ----------
    sets : RiskSets
        Courses.
    effect : {"free", "smooth", "linear"}
        ``free``: one effect a session. ``smooth``: the same, held together by a penalty on the steps
        (:func:`step_precision`). ``linear``: intercept and slope over the session number.
    pool_below : float
        Sessions reached by fewer (weighted) cases share the effect of the last one reached by enough.
    unseen : {"impossible", "estimated"}
        Whether an end never seen at a session has hazard 0 there or a parameter that a penalty holds.
    """
    K, p, S = sets.n_ends, sets.X.shape[1], sets.max_session
    pooled = pooled_sessions(sets.n_at_risk(), pool_below)  # (sessions,) position of the shared effect
    n_own = int(pooled.max()) + 1
    share = np.zeros((S, n_own))
    share[np.arange(S), pooled] = 1.0
    seen = sets.events @ share > 0  # (ends, own)
    if unseen == "estimated":
        seen = np.ones_like(seen)
    elif effect != "free":
        seen = np.repeat(seen.any(axis=1, keepdims=True), n_own, axis=1)
    base = share
    if effect == "linear" and n_own > 1:  # a single session has no slope
        base = share @ np.stack([np.ones(n_own), np.arange(n_own)], axis=1)
    matrix = np.zeros((K * (p + S), K * (p + base.shape[1])))
    matrix[: K * p, : K * p] = np.eye(K * p)
    offset = np.zeros(K * (p + S))
    keep = np.ones(matrix.shape[1], dtype=bool)
    certain = np.zeros(n_own, dtype=bool)
    if effect == "free" and unseen == "impossible":
        certain = certain_sessions(sets.events @ share, sets.n_at_risk() @ share)
    for end in range(K):
        rows = slice(K * p + end * S, K * p + (end + 1) * S)
        columns = K * p + end * base.shape[1] + np.arange(base.shape[1])
        matrix[rows, columns] = base
        if effect == "linear":
            keep[columns] = seen[end].all()
        else:
            keep[columns] = seen[end]
    for own in np.flatnonzero(certain):
        end = int(np.argmax(seen[:, own]))
        keep[K * p + end * n_own + own] = False
        offset[K * p + end * S : K * p + (end + 1) * S] += CERTAIN * share[:, own]
    impossible = ~(seen @ share.T > 0)
    matrix[K * p :][impossible.ravel()] = 0.0
    return Layout(matrix[:, keep], offset, impossible, K, p, S)


def pooled_sessions(n_at_risk: FloatArray, pool_below: float) -> NDArray[np.int64]:
    """Position of the effect each session uses: its own, or the last one reached by enough cases.

    Examples
    --------
    >>> pooled_sessions(np.array([40.0, 12.0, 4.0, 1.0]), 5).tolist()
    [0, 1, 1, 1]
    """
    enough = int(np.sum(np.asarray(n_at_risk) >= pool_below))
    return np.minimum(np.arange(len(n_at_risk)), max(enough, 1) - 1)


def step_precision(layout: Layout, step_sd: float) -> FloatArray:
    """Precision over the free parameters of a random walk from session to session with this step.

    Steps between neighbouring free session effects of an end are normal with mean 0 (a first-order
    random walk, Fahrmeir and Wagenpfeil 1996 for hazards); the level is left free.
    """
    n_free = layout.matrix.shape[1]
    precision = np.zeros((n_free, n_free))
    effects = layout.matrix[layout.n_coefficients :]  # (ends * sessions, free)
    for end in range(layout.n_ends):
        rows = effects[end * layout.n_sessions : (end + 1) * layout.n_sessions]
        used = np.flatnonzero(rows.any(axis=0))
        for left, right in pairwise(used):
            step = np.zeros(n_free)
            step[left], step[right] = -1.0, 1.0
            precision += np.outer(step, step) / step_sd**2
    return precision


def no_penalty(layout: Layout) -> Penalty:
    """A penalty of zero."""
    n_free = layout.matrix.shape[1]
    return Penalty(np.zeros(n_free), np.zeros((n_free, n_free)))


def first_guess(sets: RiskSets, layout: Layout) -> FloatArray:
    """Free parameters with coefficients 0 and session effects at the observed odds, smoothed by half a case."""
    at_risk = sets.n_at_risk()
    staying = np.clip(at_risk - sets.events.sum(axis=0), 0.0, None) + 0.5
    effects = np.log((sets.events + 0.5) / staying)  # (ends, sessions)
    # where an end is fixed as certain the others stand beside it, in the proportion seen
    fixed = layout.offset[layout.n_coefficients :].reshape(effects.shape)
    effects += np.where(fixed > 0, fixed - effects, 0.0).sum(axis=0)
    wanted = np.concatenate([np.zeros(layout.n_coefficients), effects.ravel()]) - layout.offset
    weight = np.concatenate(
        [np.ones(layout.n_coefficients), np.repeat(at_risk[None], layout.n_ends, 0).ravel()]
    )
    weighted = layout.matrix * weight[:, None]
    guess = np.linalg.lstsq(weighted.T @ layout.matrix, weighted.T @ wanted, rcond=None)[0]
    return np.asarray(guess)


def certain_sessions(events: FloatArray, at_risk: FloatArray) -> NDArray[np.bool_]:
    """Pooled sessions at which every case at risk ended: events (ends, own) against at risk (own,)."""
    return np.asarray(events.sum(axis=0) >= at_risk * (1 - 1e-12))
