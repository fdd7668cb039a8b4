"""Many fits of one table under different frequency weights at once: batched Newton steps, no loop over fits.

A bootstrap refits one table under other weights again and again. All replicates share the columns and the order of
the cases, so a step of all of them is a few matrix products; each starts at the estimate of the whole table and
leaves the batch when it has converged.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace

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
# Newton's decrement after which one more step is exact to rounding: it is squared by the step
_LAST_DECREMENT = 1e-6
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
            for rows in work.alike():
                for start in range(0, len(rows), CHUNK):
                    chunk = rows[start : start + CHUNK]
                    done = _climb(work, chunk)
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
    X: FloatArray  # (cases, columns), longest course first
    squares: FloatArray  # (cases, columns * (columns + 1) / 2): products of two columns
    size: IntArray  # cases at risk at each session
    cells: FloatArray  # (cases, ends * sessions): where each ended
    reached: FloatArray  # (cases, sessions)
    ended: FloatArray  # (ends, cases)
    start: HazardFit | None
    settings: Settings

    @classmethod
    def of(cls, courses: Courses, settings: Settings) -> _Table:
        n_sessions = int(courses.sessions.max())
        order = np.argsort(-courses.sessions, kind="stable")
        X = np.ascontiguousarray(courses.X[order])
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
            X,
            X[:, upper[0]] * X[:, upper[1]],
            np.searchsorted(-sessions, -np.arange(1, n_sessions + 1), side="right"),
            cells,
            (sessions[:, None] >= np.arange(1, n_sessions + 1)).astype(float),
            (ending == np.arange(1, courses.n_ends + 1)[:, None]).astype(float),
            start,
            settings,
        )


@dataclass(frozen=True)
class _Work:
    """The table under weights, with what every step needs."""

    X: FloatArray
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
        w = np.ascontiguousarray(weights[:, table.order])
        n_ends = len(table.ended)
        return cls(
            table.X,
            table.squares,
            table.size,
            w,
            w @ table.reached,
            (w @ table.cells).reshape(len(w), n_ends, -1),
            np.stack([(w * ended) @ table.X for ended in table.ended], axis=1),
            table.start,
            table.settings,
        )

    @property
    def n_ends(self) -> int:
        return int(self.events.shape[1])

    @property
    def n_sessions(self) -> int:
        return int(self.events.shape[2])

    def alike(self) -> list[IntArray]:
        """Replicates that share a layout: own sessions, pooled ones, ends seen and sessions certain."""
        groups: dict[tuple[object, ...], list[int]] = defaultdict(list)
        last = np.count_nonzero(self.at_risk > 0, axis=1)
        own = np.maximum((self.at_risk >= self.settings.pool_below).sum(axis=1), 1)
        own = np.minimum(own, np.maximum(last, 1))
        simple = self.settings.unseen == "estimated"
        for r in np.flatnonzero(self.events.any(axis=(1, 2))).tolist():
            sessions, n_own = int(last[r]), int(own[r])
            seen = b"" if simple else self._seen(r, sessions, n_own)
            groups[sessions, n_own, seen].append(r)
        return [np.array(rows) for rows in groups.values()]

    def _seen(self, r: int, sessions: int, n_own: int) -> bytes:
        """Which ends were seen at each pooled session, and where every case at risk ended."""
        start = np.arange(n_own)  # the last pooled session takes all that follow
        events = np.add.reduceat(self.events[r, :, :sessions], start, axis=1)
        at_risk = np.add.reduceat(self.at_risk[r, :sessions], start)
        return (events > 0).tobytes() + certain_sessions(events, at_risk).tobytes()

    def layout_of(self, r: int) -> tuple[Layout, Penalty, FloatArray]:
        """Layout, penalty and first guess of a replicate and of those alike."""
        last = int(np.count_nonzero(self.at_risk[r] > 0))
        sets = RiskSets(
            self.X[:1],
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


def _climb(work: _Work, rows: IntArray) -> _Climbed:
    """Newton steps of replicates with one layout."""
    layout, penalty, guess = work.layout_of(int(rows[0]))
    K, p, S = layout.n_ends, layout.n_columns, work.n_sessions
    theta = np.tile(guess, (len(rows), 1))
    converged = np.zeros(len(rows), dtype=bool)
    errors = np.full(len(rows), np.inf)
    going = np.arange(len(rows))
    for _ in range(_MAX_STEPS):
        gradient, information = _derivatives(work, rows[going], layout, theta[going])
        slope = gradient - (theta[going] - penalty.mean) @ penalty.precision
        curvature = information + penalty.precision
        step, diagonal = _solved(curvature, slope)
        decrement = (slope * step).sum(axis=1)
        theta[going] += step
        sound = np.isfinite(decrement) & (decrement >= 0)
        done = sound & (decrement < _LAST_DECREMENT)
        converged[going[done]] = True
        own = diagonal[:, : K * p].max(axis=1, initial=0.0)
        errors[going] = np.sqrt(own) / 50.0
        going = going[sound & ~done]
        if not going.size:
            break
    full = theta @ layout.matrix.T + layout.offset
    effects = full[:, K * p :].reshape(len(rows), K, layout.n_sessions)
    effects = np.where(layout.impossible, -np.inf, effects)
    return _Climbed(full[:, : K * p].reshape(len(rows), K, p), carried_on(effects, S), converged, errors)


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
    """Gradient (replicates, free) and information (replicates, free, free) of the log likelihoods."""
    K, p, S = layout.n_ends, layout.n_columns, layout.n_sessions
    R, n = len(rows), len(work.X)
    full = theta @ layout.matrix.T + layout.offset
    coefficients = full[:, : K * p].reshape(R, K, p)
    effects = full[:, K * p :].reshape(R, K, S)
    predictor = coefficients.reshape(R * K, p) @ work.X.T
    odds_of_case = np.exp(predictor).reshape(R, K, n)
    odds_of_session = np.where(layout.impossible, 0.0, np.exp(effects))
    if not np.abs(predictor).max(initial=0.0) < _LARGE:
        large = (np.abs(predictor).reshape(R, -1).max(axis=1, initial=0.0) < _LARGE) ^ True
        odds_of_case[large] = np.nan
    pairs = [(j, l) for j in range(K) for l in range(j, K)]
    weights = work.weights[rows]
    expected = np.zeros((K, R, n))
    weight_sums = np.zeros((len(pairs), R, n))
    session_residual = work.events[rows][:, :, :S].copy()  # (R, K, S)
    cross = np.zeros((len(pairs), S, R, p))
    session_weight = np.zeros((len(pairs), S, R))
    for k in range(S):
        m = int(work.size[k])
        odds = [odds_of_case[:, j, :m] * odds_of_session[:, j, k, None] for j in range(K)]
        total = odds[0] + 1.0
        for more in odds[1:]:
            total += more
        share = weights[:, :m] / total  # weight times the chance of going on
        np.divide(1.0, total, out=total)
        means = []
        for j, odd in enumerate(odds):
            mean = odd * share
            expected[j, :, :m] += mean
            session_residual[:, j, k] -= mean.sum(axis=1)
            means.append(mean)
        for i, (j, l) in enumerate(pairs):
            # h_j (1 - h_j) and -h_j h_l, with h = odds / total
            product = means[j] * (odds[l] * total)
            product = means[j] - product if j == l else -product
            weight_sums[i, :, :m] += product
            session_weight[i, k] = product.sum(axis=1)
            cross[i, k] = product @ work.X[:m]
    residual = work.event_sums[rows] - np.stack([expected[j] @ work.X for j in range(K)], axis=1)
    gram = _gram(weight_sums, work.squares, p)
    information = np.zeros((R, K * (p + S), K * (p + S)))
    for i, (j, l) in enumerate(pairs):
        _place(information, j, l, K, p, S, gram[i], cross[i].transpose(1, 0, 2), session_weight[i].T)
    session_residual = np.where(layout.impossible, 0.0, session_residual)
    gradient = np.concatenate([residual.reshape(R, -1), session_residual.reshape(R, -1)], axis=1)
    # one product for all replicates on either side of the maps
    half = information @ layout.matrix
    return gradient @ layout.matrix, layout.matrix.T @ half


def _gram(weight_sums: FloatArray, squares: FloatArray, p: int) -> FloatArray:
    """Weighted products of the columns, shape (pairs, replicates, columns, columns)."""
    pairs, R, n = weight_sums.shape
    flat = weight_sums.reshape(pairs * R, n) @ squares
    upper = np.triu_indices(p)
    gram = np.zeros((pairs * R, p, p))
    gram[:, upper[0], upper[1]] = flat
    gram[:, upper[1], upper[0]] = flat
    return gram.reshape(pairs, R, p, p)


def _place(
    information: FloatArray,
    j: int,
    l: int,
    K: int,
    p: int,
    S: int,
    gram: FloatArray,
    cross: FloatArray,
    session_weight: FloatArray,
) -> None:
    """Put the blocks of a pair of ends where they belong, both ways round."""
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
