"""Averages over cases of what hazards imply, with their slopes in the parameters of the fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.layout import Layout
from retreat.hazard import Link, hazards_and_going_on

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Kind = Literal["incidence", "sessions", "hazard"]


@dataclass(frozen=True)
class Measure:
    """What is averaged over cases.

    Parameters
    ----------
    kind : {"incidence", "sessions", "hazard"}
        ``incidence``: chance of having ended so by a session. ``sessions``: number of sessions, a course that goes on
        past a session counted as that (restricted mean, Karrison 1987, from memory). ``hazard``: chance to end so at
        the next session, averaged over the sessions that the cases had.
    end : int
        Position of the end; of no meaning for ``sessions``.
    session : int
        By which session, or the most counted; of no meaning for ``hazard``.
    """

    kind: Kind
    end: int = 0
    session: int = 0


@dataclass(frozen=True)
class Averaged:
    """Measures over cases.

    Parameters
    ----------
    by_case : ndarray of float, shape (cases, measures)
        Of each case; for a hazard, summed over its sessions and divided by the mean number of sessions a case.
    slopes : ndarray of float, shape (measures, free)
        Slope of each mean in the free parameters.
    """

    by_case: FloatArray
    slopes: FloatArray

    @property
    def mean(self) -> FloatArray:
        """Means over cases, shape (measures,)."""
        return np.asarray(self.by_case.mean(axis=0))


def averages(
    layout: Layout,
    theta: FloatArray,
    X: FloatArray,
    sessions: IntArray,
    measures: Sequence[Measure],
    *,
    link: Link,
) -> Averaged:
    r"""Means over cases of chances and sessions, with slopes by the chain rule.

    With :math:`S_k` the share still in treatment after session k and :math:`p_{jk} = S_{k-1} h_{jk}`, a step of the
    linear predictor :math:`\eta_{mt}` moves :math:`\log h_{jt}` and :math:`\log (S_t / S_{t-1})`, and with the latter
    all that comes after t.

    Parameters
    ----------
    layout : Layout
        Of the fit.
    theta : ndarray of float, shape (free,)
        Free parameters.
    X : ndarray of float, shape (cases, columns)
        Coded cases.
    sessions : ndarray of int, shape (cases,)
        Sessions each case had, over which hazards are averaged.
    measures : sequence of Measure
        What is asked for.
    link : {"logit", "cloglog"}
        Link of the hazards.
    """
    coefficients, effects = layout.split(theta)
    last = max([1, *(m.session for m in measures)])
    if any(m.kind == "hazard" for m in measures):
        last = max(last, int(sessions.max()))
    carried = np.minimum(
        np.arange(last), layout.n_sessions - 1
    )  # beyond the last session its effect is carried on
    eta = (X @ coefficients.T)[..., None] + effects[:, carried]  # (cases, ends, sessions)
    h, going_on = hazards_and_going_on(eta, link)
    staying = np.cumprod(going_on, axis=-1)
    before = np.concatenate([np.ones((len(X), 1)), staying[:, :-1]], axis=1)  # (cases, sessions)
    moves_h, moves_on = _log_slopes(eta, h, going_on, link)
    by_case, slopes = [], []
    for measure in measures:
        if measure.kind == "sessions":
            value, slope = _restricted(staying, moves_on, measure.session)
        elif measure.kind == "hazard":
            value, slope = _next(h, moves_h, sessions, measure.end)
        else:
            value, slope = _incidence(h, before, moves_h, moves_on, measure)
        by_case.append(value)
        slopes.append(_to_free(layout, X, slope, carried))
    return Averaged(np.stack(by_case, axis=1), np.stack(slopes))


def _log_slopes(
    eta: FloatArray, h: FloatArray, going_on: FloatArray, link: Link
) -> tuple[FloatArray, FloatArray]:
    """Slopes in each predictor, (cases, ends, predictors, sessions) of log h, without the ends of log going on."""
    own = np.eye(h.shape[1])[None, :, :, None]
    if link == "logit":
        return own - h[:, None], -h
    with np.errstate(over="ignore"):
        rates = np.exp(eta)  # (cases, ends, sessions)
    total = rates.sum(axis=1, keepdims=True)
    # log((1 - exp(-L)) / L) moves by exp(-L) / (1 - exp(-L)) - 1 / L with L, and by -1/2 where L is nearly 0
    small = total < 1e-6
    safe = np.where(small, 1.0, total)
    moved = np.where(small, -0.5, np.exp(-safe) / -np.expm1(-safe) - 1.0 / safe)
    return own + (rates * moved)[:, None], -rates


def _incidence(
    h: FloatArray, before: FloatArray, moves_h: FloatArray, moves_on: FloatArray, measure: Measure
) -> tuple[FloatArray, FloatArray]:
    k = measure.session
    at = before[:, :k] * h[:, measure.end, :k]  # (cases, sessions)
    after = at.sum(axis=1, keepdims=True) - np.cumsum(at, axis=1)
    slope = np.zeros_like(moves_on)
    slope[..., :k] = at[:, None] * moves_h[:, measure.end, :, :k] + after[:, None] * moves_on[..., :k]
    return at.sum(axis=1), slope


def _restricted(staying: FloatArray, moves_on: FloatArray, most: int) -> tuple[FloatArray, FloatArray]:
    # 1 + S_1 + ... + S_(most - 1)
    counted = staying[:, : most - 1]
    to_come = counted.sum(axis=1, keepdims=True) - np.cumsum(counted, axis=1) + counted
    slope = np.zeros_like(moves_on)
    slope[..., : most - 1] = to_come[:, None] * moves_on[..., : most - 1]
    return 1.0 + counted.sum(axis=1), slope


def _next(h: FloatArray, moves_h: FloatArray, sessions: IntArray, end: int) -> tuple[FloatArray, FloatArray]:
    at_risk = np.arange(h.shape[-1]) < sessions[:, None]
    share = at_risk / sessions.mean()
    value = (h[:, end] * share).sum(axis=1)
    return value, (h[:, end] * share)[:, None] * moves_h[:, end]


def _to_free(layout: Layout, X: FloatArray, slope: FloatArray, carried: NDArray[np.intp]) -> FloatArray:
    """Mean slope in the free parameters, from slopes in the predictors (cases, ends, sessions)."""
    columns = np.einsum("imt,ip->mp", slope, X) / len(X)
    effects = slope.mean(axis=0) @ (carried[:, None] == np.arange(layout.n_sessions))
    return np.asarray(np.concatenate([columns.ravel(), effects.ravel()]) @ layout.matrix)
