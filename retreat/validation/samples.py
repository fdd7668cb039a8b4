"""Many weighted samples of the same courses at once: what was observed in each, and outcomes that allow for loss.

The batched form of `observed`, `censoring` and `pseudo`: cases alike in last session and ending are one kind, so
that a sample is a count a kind.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from retreat.validation._checked import BoolArray, Courses, FloatArray
from retreat.validation.observed import product_limit
from retreat.validation.pseudo import without_one


class Samples:
    """Samples of courses.

    Parameters
    ----------
    seen : Courses
        The courses; their own weights are not used.
    weights : ndarray of float, shape (samples, cases)
        How often each case stands in each sample.
    """

    def __init__(self, seen: Courses, weights: FloatArray) -> None:
        self.seen = seen
        self.weights = weights
        self.total = weights.sum(axis=1)  # (samples,)
        number = seen.sessions * (seen.n_ends + 1) + seen.ending
        kinds, self._kind_of = np.unique(number, return_inverse=True)
        self._kinds = np.stack(np.divmod(kinds, seen.n_ends + 1))  # last session and ending
        indicator = np.zeros((len(seen.sessions), self._kinds.shape[1]))
        indicator[np.arange(len(seen.sessions)), self._kind_of] = 1.0
        self._counts = weights @ indicator  # (samples, kinds)
        # caches of this object alone: a class-wide one would keep every sample alive
        self.known = cache(self._known)
        self.outcome = cache(self._outcome)
        self.observed = cache(self._observed)

    def happened(self, end: int, horizon: int) -> BoolArray:
        """Whether each case ended in this way by the horizon, shape (cases,)."""
        return np.asarray((self.seen.ending == end) & (self.seen.sessions <= horizon))

    def _risk_sets(self, horizon: int) -> tuple[FloatArray, FloatArray]:
        """At risk (samples, horizon + 1) and ended (samples, ends, horizon)."""
        sessions, ending = self._kinds
        reached = (sessions[:, None] >= np.arange(1, horizon + 2)).astype(float)
        events = np.zeros((len(self._counts), self.seen.n_ends, horizon))
        for kind in np.flatnonzero((ending > 0) & (sessions <= horizon)):
            events[:, ending[kind] - 1, sessions[kind] - 1] += self._counts[:, kind]
        return self._counts @ reached, events

    def _observed(self, horizon: int) -> FloatArray:
        """Aalen-Johansen incidence, shape (samples, ends, horizon); NaN where nobody is left to tell."""
        at_risk, events = self._risk_sets(horizon)
        incidence, staying = product_limit(events, at_risk[:, :horizon])
        blind = (at_risk[:, :horizon] == 0) & (staying > 1e-12)
        return np.where(blind[:, None, :], np.nan, incidence)

    def _known(self, horizon: int) -> FloatArray:
        """Inverse probability of the state at the horizon being known, shape (samples, cases).

        As :func:`retreat.validation.censoring_weights`, not multiplied by the weights of the cases.
        """
        at_risk, events = self._risk_sets(horizon)
        staying = at_risk[:, :horizon] - events.sum(axis=1)
        lost = staying - at_risk[:, 1:]
        kept = np.where(staying > 0, 1.0 - lost / np.where(staying > 0, staying, 1.0), 1.0)
        not_lost = np.concatenate([np.ones((len(kept), 1)), np.cumprod(kept, axis=1)], axis=1)  # G(0..h)
        sessions, ending = self._kinds
        ended = (ending > 0) & (sessions <= horizon)
        still = ~ended & (sessions >= horizon)
        after = np.minimum(sessions, horizon) - 1
        with np.errstate(divide="ignore"):
            by_kind = np.where(ended | still, 1.0 / not_lost[:, after], 0.0)
        by_kind[~np.isfinite(by_kind)] = 0.0
        stands_for = (self._counts * by_kind).sum(axis=1)
        by_kind[~np.isclose(stands_for, self.total, rtol=1e-9, atol=0.0)] = np.nan
        return self._by_case(by_kind)

    def _outcome(self, end: int, horizon: int) -> FloatArray:
        """Jackknife pseudo-values of having ended so by the horizon, shape (samples, cases)."""
        at_risk, events = self._risk_sets(horizon)
        at_risk = at_risk[:, :horizon]
        incidence, staying = product_limit(events, at_risk)
        sessions, ending = self._kinds
        last = np.minimum(sessions, horizon + 1)
        kind = np.where(last <= horizon, ending, 0)
        fewer_at_risk, fewer_events = without_one(at_risk, events, np.stack([last, kind]))
        without, _ = product_limit(fewer_events, fewer_at_risk)  # (samples, kinds, ends, horizon)
        n = self.total[:, None]
        values = n * incidence[:, end - 1, -1, None] - (n - 1.0) * without[:, :, end - 1, -1]
        values[(at_risk[:, -1] == 0) & (staying[:, -1] > 0)] = np.nan
        return self._by_case(values)

    def _by_case(self, by_kind: FloatArray) -> FloatArray:
        """Values (samples, kinds) for each case; rows run along memory, which indexing would turn round."""
        return np.asarray(by_kind.take(self._kind_of, axis=1))
