"""Many fits of one table under different frequency weights at once: batched Newton steps, no loop over fits.

A bootstrap refits one table under other weights again and again. All replicates share the columns and the order of
the cases, so a step of all of them is a few matrix products. All start at the estimate of the whole table, where the
derivatives of a case are the same in every replicate; steps in single precision take them near their own estimates,
and steps in double precision, where Newton squares the error that is left, end. Each leaves the batch when it has
converged.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.counts import RiskSets
from retreat.errors import FitError
from retreat.fitting.hazardfit import (
    Courses,
    HazardFit,
    Settings,
    check_separation,
    fit_hazard,
    holding_unlearned,
)
from retreat.fitting.layout import Layout, certain_sessions, first_guess, lay_out
from retreat.fitting.newton import Penalty

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# replicates worked on together: fewer calls weigh less, and rows of 1,000 cases still stay in cache
CHUNK = 100
_MAX_STEPS = 12
# Newton's decrement (squared, in units of the log likelihood) at which the step taken is exact to rounding: a step
# squares it. Single precision stops where that leaves less than the last one.
_LAST_DECREMENT = 1e-6
_NEAR, _MAX_SINGLE_STEPS = 1e-3, 4
# linear predictors beyond this are left to the single fit, which shifts before it exponentiates
_LARGE = 200.0


@dataclass(frozen=True)
class Replicates:
    """Estimates of the replicates.

    Parameters
    ----------
    coefficients : ndarray of float, shape (replicates, ends, columns)
        NaN for a replicate that could not be fitted.
    session_effects : ndarray of float, shape (replicates, ends, sessions)
        On the link scale; past a replicate's own last session its last effect is carried on.
    failures : mapping of int to str
        Why a replicate could not be fitted.
    n_single : int
        Replicates that were handed to the single fit.
    """

    coefficients: FloatArray
    session_effects: FloatArray
    failures: dict[int, str]
    n_single: int


def fit_replicates(
    courses: Courses, settings: Settings, weights: FloatArray, *, refuse_separation: bool
) -> Replicates:
    """Fit every row of weights; see :class:`ReplicateFitter`."""
    return ReplicateFitter(courses, settings, refuse_separation=refuse_separation).fit(weights)


class ReplicateFitter:
    """Fits one table under any weights.

    Parameters
    ----------
    courses : Courses
        The whole table; its own weights are not used.
    settings : Settings
        Logit link without Firth's penalty runs in batches; anything else one by one.
    refuse_separation : bool
        Whether a replicate whose coefficients run off to infinity counts as failed, as it does in a single fit
        without penalty.
    """

    def __init__(self, courses: Courses, settings: Settings, *, refuse_separation: bool) -> None:
        self._courses, self._settings, self._refuse = courses, settings, refuse_separation
        self._table = _Table.of(courses, settings)

    def fit(self, weights: FloatArray) -> Replicates:
        """Estimates under every row of weights.

        Parameters
        ----------
        weights : ndarray of float, shape (replicates, cases)
            Frequency weights from 0.
        """
        work = _Work.of(self._table, weights)
        out = np.full((len(weights), work.n_ends, self._courses.X.shape[1]), np.nan)
        effects = np.full((len(weights), work.n_ends, work.n_sessions), np.nan)
        left = list(range(len(weights)))
        if self._settings.link == "logit" and self._settings.likelihood == "plain":
            left = np.flatnonzero(~work.events.any(axis=(1, 2))).tolist()
            single = work.in_single_precision()
            for rows in work.alike():
                for start in range(0, len(rows), CHUNK):
                    chunk = rows[start : start + CHUNK]
                    done = _climb(work, single, chunk)
                    out[chunk[done.converged]] = done.coefficients[done.converged]
                    effects[chunk[done.converged]] = done.effects[done.converged]
                    suspect = done.errors > 1.0 if self._refuse else np.zeros(len(chunk), dtype=bool)
                    left += chunk[~done.converged | suspect].tolist()
        failures: dict[int, str] = {}
        for r in left:
            try:
                out[r], effects[r] = _single(
                    self._courses, self._settings, weights[r], work.n_sessions, self._refuse
                )
            except FitError as error:
                out[r] = effects[r] = np.nan
                failures[r] = str(error.faults[0])
        return Replicates(out, effects, failures, len(left))


def _equal(keys: NDArray[Any], rows: IntArray) -> list[IntArray]:
    """The rows in groups of equal keys."""
    _, group = np.unique(keys, axis=0, return_inverse=True)
    return [rows[group == g] for g in range(group.max(initial=-1) + 1)]


def _single(
    courses: Courses, settings: Settings, weights: FloatArray, n_sessions: int, refuse_separation: bool
) -> tuple[FloatArray, FloatArray]:
    here = weights > 0
    fit = fit_hazard(replace(courses.rows(here), weights=weights[here]), settings)
    if refuse_separation:
        check_separation(fit, courses.names)
    coefficients, effects = fit.layout.split(fit.theta)
    return coefficients, carried_on(effects, n_sessions)


def carried_on(effects: FloatArray, n_sessions: int) -> FloatArray:
    """Session effects (..., sessions) for so many sessions, the last one carried on."""
    last = effects.shape[-1]
    return np.asarray(effects[..., np.minimum(np.arange(n_sessions), last - 1)])


@dataclass(frozen=True)
class _Table:
    """The table in the order of its risk sets: what does not depend on weights."""

    order: IntArray
    columns: FloatArray  # (cases, columns + 1), longest course first, a column of ones last
    squares: FloatArray  # (cases, columns * (columns + 1) / 2): products of two columns
    size: IntArray  # cases at risk at each session
    cells: FloatArray  # (cases, ends * sessions): where each ended
    reached: FloatArray  # (cases, sessions)
    ended: FloatArray  # (cases, ends * columns): the columns where each ended
    start: HazardFit | None
    settings: Settings

    @classmethod
    def of(cls, courses: Courses, settings: Settings) -> _Table:
        n_sessions = int(courses.sessions.max())
        order = np.argsort(-courses.sessions, kind="stable")
        X = courses.X[order]
        sessions, ending = courses.sessions[order], courses.ending[order]
        upper = np.triu_indices(X.shape[1])
        cells = np.zeros((len(X), courses.n_ends * n_sessions))
        ended = np.flatnonzero(ending > 0)
        cells[ended, (ending[ended] - 1) * n_sessions + sessions[ended] - 1] = 1.0
        try:
            start = fit_hazard(replace(courses, weights=None), settings)
        except FitError:
            start = None
        return cls(
            order,
            np.column_stack([X, np.ones(len(X))]),
            X[:, upper[0]] * X[:, upper[1]],
            np.searchsorted(-sessions, -np.arange(1, n_sessions + 1), side="right"),
            cells,
            (sessions[:, None] >= np.arange(1, n_sessions + 1)).astype(float),
            ((ending[:, None] == np.arange(1, courses.n_ends + 1))[:, :, None] * X[:, None]).reshape(
                len(X), -1
            ),
            start,
            settings,
        )


@dataclass(frozen=True)
class _Work:
    """The table under weights, with what every step needs."""

    columns: FloatArray
    squares: FloatArray
    size: IntArray
    weights: FloatArray  # (replicates, cases)
    at_risk: FloatArray  # (replicates, sessions)
    events: FloatArray  # (replicates, ends, sessions)
    event_sums: FloatArray  # (replicates, ends, columns)
    start: HazardFit | None
    settings: Settings

    @classmethod
    def of(cls, table: _Table, weights: FloatArray) -> _Work:
        w = weights.take(table.order, axis=1)
        n_ends = table.cells.shape[1] // table.reached.shape[1]
        return cls(
            table.columns,
            table.squares,
            table.size,
            w,
            w @ table.reached,
            (w @ table.cells).reshape(len(w), n_ends, -1),
            (w @ table.ended).reshape(len(w), n_ends, -1),
            table.start,
            table.settings,
        )

    def in_single_precision(self) -> _Work:
        """The same; sums stay as they are."""
        cast = {name: getattr(self, name).astype(np.float32) for name in ("columns", "squares", "weights")}
        return replace(self, **cast)

    @property
    def n_ends(self) -> int:
        return int(self.events.shape[1])

    @property
    def n_sessions(self) -> int:
        return int(self.events.shape[2])

    def alike(self) -> list[IntArray]:
        """Replicates that share a layout: own sessions, pooled ones, ends seen and sessions certain."""
        last = np.count_nonzero(self.at_risk > 0, axis=1)
        own = np.maximum((self.at_risk >= self.settings.pool_below).sum(axis=1), 1)
        shape = np.stack([last, np.minimum(own, np.maximum(last, 1))], axis=1)
        some = np.flatnonzero(self.events.any(axis=(1, 2)))
        groups = []
        for rows in _equal(shape[some], some):
            sessions, n_own = shape[rows[0]].tolist()
            if self.settings.unseen == "estimated":
                groups.append(rows)
            else:
                groups += _equal(self._seen(rows, sessions, n_own), rows)
        return groups

    def _seen(self, rows: IntArray, sessions: int, n_own: int) -> NDArray[np.bool_]:
        """Which ends were seen at each pooled session, and where every case at risk ended, replicate by replicate."""
        start = np.arange(n_own)  # the last pooled session takes all that follow
        events = np.add.reduceat(self.events[rows, :, :sessions], start, axis=2)
        at_risk = np.add.reduceat(self.at_risk[rows, :sessions], start, axis=1)
        certain = certain_sessions(events.transpose(1, 0, 2), at_risk)
        return np.hstack([(events > 0).reshape(len(rows), -1), certain])

    def layout_of(self, r: int) -> tuple[Layout, Penalty, FloatArray]:
        """Layout, penalty and first guess of a replicate and of those alike."""
        last = int(np.count_nonzero(self.at_risk[r] > 0))
        sets = RiskSets(
            self.columns[:1, :-1],
            self.size[:last],
            self.at_risk[r, None, :last],
            self.events[r, :, :last],
            self.event_sums[r],
        )
        layout = lay_out(
            sets,
            self.settings.session_effect,
            pool_below=self.settings.pool_below,
            unseen=self.settings.unseen,
        )
        penalty = holding_unlearned(self.settings.penalty(layout), layout)
        guess = first_guess(sets, layout)
        if self.start is not None:
            guess[: layout.n_coefficients] = self.start.theta[: layout.n_coefficients]
            if self.start.layout.matrix.shape == layout.matrix.shape:
                guess = self.start.theta.copy()
        return layout, penalty, guess


@dataclass
class _Climbed:
    coefficients: FloatArray
    effects: FloatArray
    converged: NDArray[np.bool_]
    errors: FloatArray  # largest standard error of a coefficient over the runaway limit


def _climb(work: _Work, single: _Work, rows: IntArray) -> _Climbed:
    """Newton steps of replicates with one layout."""
    layout, penalty, guess = work.layout_of(int(rows[0]))
    K, p, S = layout.n_ends, layout.n_columns, work.n_sessions
    problem = _Problem(layout, penalty)
    step, decrement, _ = problem.step(work, rows, guess[None])
    theta = guess + np.where((decrement >= 0)[:, None], step, 0.0)
    _ascend(problem, single, rows, theta, until=_NEAR, most=_MAX_SINGLE_STEPS)
    converged, errors = _ascend(problem, work, rows, theta, until=_LAST_DECREMENT, most=_MAX_STEPS)
    full = theta @ layout.matrix.T + layout.offset
    effects = full[:, K * p :].reshape(len(rows), K, layout.n_sessions)
    effects = np.where(layout.impossible, -np.inf, effects)
    return _Climbed(full[:, : K * p].reshape(len(rows), K, p), carried_on(effects, S), converged, errors)


def _ascend(
    problem: _Problem, work: _Work, rows: IntArray, theta: FloatArray, *, until: float, most: int
) -> tuple[NDArray[np.bool_], FloatArray]:
    """Steps of `theta` in place; which replicates converged, and how large their standard errors are."""
    converged = np.zeros(len(rows), dtype=bool)
    errors = np.full(len(rows), np.inf)
    going = np.arange(len(rows))
    for _ in range(most):
        step, decrement, errors[going] = problem.step(work, rows[going], theta[going])
        sound = decrement >= 0  # and not NaN; a replicate whose step is wild stays where it is
        theta[going[sound]] += step[sound]
        done = sound & (decrement < until)
        converged[going[done]] = True
        going = going[sound & ~done]
        if not going.size:
            break
    return converged, errors


@dataclass(frozen=True)
class _Problem:
    """What replicates with one layout maximise."""

    layout: Layout
    penalty: Penalty

    def step(
        self, work: _Work, rows: IntArray, theta: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Newton steps (replicates, free), their decrements, NaN without a step, and scaled standard errors."""
        gradient, information = _derivatives(work, rows, self.layout, theta)
        slope = gradient - (theta - self.penalty.mean) @ self.penalty.precision
        step, diagonal = _solved(information + self.penalty.precision, slope)
        decrement = (slope * step).sum(axis=1)
        own = diagonal[:, : self.layout.n_coefficients].max(axis=1, initial=0.0)
        return step, np.where(np.isfinite(decrement), decrement, np.nan), np.sqrt(own) / 50.0


def _solved(curvature: FloatArray, slope: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Solutions and diagonals of the inverses, NaN for a matrix that is not positive definite."""
    scale = 1.0 / np.sqrt(np.clip(np.einsum("rii->ri", curvature), 1e-300, None))
    scaled = curvature * scale[:, :, None] * scale[:, None, :]
    sound = np.isfinite(scaled).all(axis=(1, 2))
    scaled[~sound] = np.eye(scaled.shape[1])
    try:
        inverse = np.linalg.inv(scaled)
    except np.linalg.LinAlgError:
        inverse = np.stack([_inverse_or_nan(one) for one in scaled])
    inverse[~sound] = np.nan
    step = scale * (inverse @ (scale * slope)[:, :, None])[:, :, 0]
    return step, np.abs(np.einsum("rii->ri", inverse)) * scale**2


def _inverse_or_nan(matrix: FloatArray) -> FloatArray:
    try:
        return np.linalg.inv(matrix)
    except np.linalg.LinAlgError:
        return np.full_like(matrix, np.nan)


@np.errstate(over="ignore", invalid="ignore")  # a wild step is not finite and goes to the single fit
def _derivatives(
    work: _Work, rows: IntArray, layout: Layout, theta: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Gradient (replicates, free) and information (replicates, free, free) of the log likelihoods.

    One row of theta may stand for all.
    """
    K, p, S = layout.n_ends, layout.n_columns, layout.n_sessions
    kind = work.columns.dtype
    # rows rise, so that as many as there are are all in their order
    weights = work.weights if len(rows) == len(work.weights) else work.weights[rows]
    full = theta @ layout.matrix.T + layout.offset
    coefficients = full[:, : K * p].reshape(len(theta) * K, p).astype(kind)
    odds_of_case = (coefficients @ work.columns[:, :p].T).reshape(len(theta), K, -1)
    large = ~(np.abs(odds_of_case).max(axis=(1, 2), initial=0.0) < _LARGE)
    np.exp(odds_of_case, out=odds_of_case)
    odds_of_case[large] = np.nan
    effects = full[:, K * p :].reshape(-1, K, S)
    odds_of_session = np.where(layout.impossible, 0.0, np.exp(effects)).astype(kind)
    pairs = [(j, l) for j in range(K) for l in range(j, K)]
    expected = np.zeros((K, *odds_of_case.shape[::2]), kind)
    varied = np.zeros((len(pairs), *odds_of_case.shape[::2]), kind)
    session_residual = work.events[rows][:, :, :S].copy()  # (R, K, S)
    cross = np.zeros((len(pairs), S, len(rows), p + 1))
    for k in range(S):
        m = int(work.size[k])
        hazards = [odds_of_case[:, j, :m] * odds_of_session[:, j, k, None] for j in range(K)]
        total = hazards[0] + kind.type(1.0)
        for more in hazards[1:]:
            total += more
        for j, hazard in enumerate(hazards):
            hazard /= total
            expected[j, :, :m] += hazard
            session_residual[:, j, k] -= np.vecdot(weights[:, :m], hazard)
        for i, (j, l) in enumerate(pairs):
            product = hazards[j] * hazards[l]
            np.subtract(hazards[j] if j == l else 0.0, product, out=product)
            varied[i, :, :m] += product
            cross[i, k] = _sums(weights[:, :m], product, work.columns[:m])
    residual = work.event_sums[rows] - np.stack(
        [_sums(weights, one, work.columns[:, :p]) for one in expected], axis=1
    )
    information = np.zeros((len(rows), K * (p + S), K * (p + S)))
    for i, (j, l) in enumerate(pairs):
        gram = _symmetric(_sums(weights, varied[i], work.squares), p)
        _place(information, j, l, K, p, S, gram, cross[i].transpose(1, 0, 2))
    session_residual = np.where(layout.impossible, 0.0, session_residual)
    gradient = np.concatenate(
        [residual.reshape(len(rows), -1), session_residual.reshape(len(rows), -1)], axis=1
    )
    # one product for all replicates on either side of the maps
    half = information @ layout.matrix
    return gradient @ layout.matrix, layout.matrix.T @ half


def _sums(weights: FloatArray, values: FloatArray, columns: FloatArray) -> FloatArray:
    """Weighted sums of columns times values (replicates or 1, cases), shape (replicates, columns)."""
    if len(values) == 1:  # the same in every replicate
        return np.asarray(weights @ (values.T * columns))
    return np.asarray((weights * values) @ columns)


def _symmetric(upper_half: FloatArray, p: int) -> FloatArray:
    """Symmetric matrices (replicates, p, p) of their upper halves."""
    return upper_half.take(_in_upper_half(p), axis=1)


@cache
def _in_upper_half(p: int) -> IntArray:
    """Where each entry of a symmetric matrix stands in its upper half."""
    place = np.zeros((p, p), dtype=np.int64)
    upper = np.triu_indices(p)
    place[upper] = place.T[upper] = np.arange(len(upper[0]))
    return place


def _place(
    information: FloatArray,
    j: int,
    l: int,
    K: int,
    p: int,
    S: int,
    gram: FloatArray,
    by_session: FloatArray,
) -> None:
    """Put the blocks of a pair of ends where they belong, both ways round.

    By session (replicates, sessions, columns + 1) are sums of the columns and of the weight itself.
    """
    cross, session_weight = by_session[:, :, :p], by_session[:, :, p]
    own_j, own_l = slice(j * p, (j + 1) * p), slice(l * p, (l + 1) * p)
    sessions_j = slice(K * p + j * S, K * p + (j + 1) * S)
    sessions_l = slice(K * p + l * S, K * p + (l + 1) * S)
    diagonal = session_weight[:, :, None] * np.eye(S)
    blocks = (
        (own_j, own_l, gram),
        (sessions_j, own_l, cross),
        (sessions_l, own_j, cross),
        (sessions_j, sessions_l, diagonal),
    )
    for rows, columns, values in blocks:
        information[:, rows, columns] = values
        information[:, columns, rows] = values.transpose(0, 2, 1)
