"""Newton's method on the multinomial discrete-time hazard, without ever building person-session rows.

One linear predictor a case; cases sorted by last session, so the risk set of session k is a prefix; work is done
in blocks that stay in cache. Parameters stand in the order: coefficients end by end, then session effects end
by end.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from retreat.counts import RiskSets

FloatArray = NDArray[np.float64]

_BLOCK = 8192
_MAX_STEPS = 100
# earlier steps remembered where the information is not minus the second derivative
_MEMORY = 10
# Newton decrement (squared, in units of the log likelihood) at which the last step taken is exact to rounding
_DECREMENT = 1e-11


@dataclass(frozen=True)
class Evaluation:
    """Value, gradient and information of a log likelihood, over all coefficients and session effects."""

    value: float
    gradient: FloatArray  # (parameters,)
    information: FloatArray  # (parameters, parameters)


@dataclass(frozen=True)
class Penalty:
    """Quadratic penalty (theta - mean)' precision (theta - mean) / 2 on the free parameters."""

    mean: FloatArray  # (free,)
    precision: FloatArray  # (free, free)

    def value(self, theta: FloatArray) -> float:
        """Size of the penalty."""
        away = theta - self.mean
        return float(0.5 * away @ self.precision @ away)

    def gradient(self, theta: FloatArray) -> FloatArray:
        """Gradient of the penalty."""
        return self.precision @ (theta - self.mean)


@dataclass(frozen=True)
class Solution:
    """Where Newton's method ended."""

    theta: FloatArray  # (free,)
    evaluation: Evaluation  # at theta, over the free parameters, without the penalty
    converged: bool
    n_steps: int
    decrement: float


Objective = Callable[[FloatArray], Evaluation]
Curvature = Literal["exact", "expected"]


def maximise(
    objective: Objective, start: FloatArray, penalty: Penalty, *, curvature: Curvature = "exact"
) -> Solution:
    """Maximum of a penalised log likelihood by Newton's method with step halving.

    Parameters
    ----------
    objective : callable
        Value, gradient and information at a vector of free parameters.
    start : ndarray of float, shape (free,)
        First guess.
    penalty : Penalty
        Quadratic penalty; zeros for plain maximum likelihood.
    curvature : {"exact", "expected"}
        Whether the information is minus the second derivative (logit) or stands in for it (cloglog, Firth);
        the steps then correct it by what earlier ones taught (Nocedal and Wright 2006, algorithm 7.4,
        from memory), without which they only crawl to the maximum on small or separated tables.
    """
    # a trial step may overflow: its worth is then not finite and the step is halved
    with np.errstate(over="ignore", invalid="ignore"):
        return _climb(objective, start.copy(), penalty, _MEMORY if curvature == "expected" else 0)


def _climb(objective: Objective, theta: FloatArray, penalty: Penalty, memory: int) -> Solution:
    here = objective(theta)
    past: list[tuple[FloatArray, FloatArray]] = []  # moves and how the slope fell along them
    worth = here.value - penalty.value(theta)
    decrement = np.inf
    for step in range(1, _MAX_STEPS + 1):
        slope = here.gradient - penalty.gradient(theta)
        direction = _direction(here.information + penalty.precision, slope, past[-memory:])
        decrement = float(slope @ direction)
        if not np.isfinite(decrement):
            return Solution(theta, here, False, step, decrement)
        scale, there, new = 1.0, here, worth
        for _ in range(30):
            there = objective(theta + scale * direction)
            new = there.value - penalty.value(theta + scale * direction)
            if np.isfinite(new) and new >= worth - 1e-9 * (1.0 + abs(worth)):
                break
            scale /= 2.0
        else:
            return Solution(theta, here, False, step, decrement)
        move = scale * direction
        theta, here, worth = theta + move, there, new
        if memory:
            past.append((move, slope - (here.gradient - penalty.gradient(theta))))
        if decrement < _DECREMENT * (1.0 + abs(worth) * 1e-3):
            return Solution(theta, here, True, step, decrement)
    return Solution(theta, here, False, _MAX_STEPS, decrement)


def _direction(
    information: FloatArray, slope: FloatArray, past: list[tuple[FloatArray, FloatArray]]
) -> FloatArray:
    """Newton direction, corrected by earlier moves; the plain one where the correction does not climb."""
    useful = [(move, fall, 1.0 / (move @ fall)) for move, fall in past if move @ fall > 0]
    if not useful:
        return solve(information, slope)
    left, shares = slope.copy(), []
    for move, fall, weight in reversed(useful):
        shares.append(weight * (move @ left))
        left = left - shares[-1] * fall
    direction = solve(information, left)
    for (move, fall, weight), share in zip(useful, reversed(shares), strict=True):
        direction = direction + move * (share - weight * (fall @ direction))
    return direction if direction @ slope > 0 else solve(information, slope)


def solve(matrix: FloatArray, vector: FloatArray) -> FloatArray:
    """Solution of a symmetric system; a nearly singular one gets the smallest ridge that makes it regular."""
    scale = np.sqrt(np.clip(np.diag(matrix), 1e-300, None))
    scaled = matrix / np.outer(scale, scale)
    for ridge in (0.0, 1e-12, 1e-9, 1e-6):
        try:
            factor = np.linalg.cholesky(scaled + ridge * np.eye(len(scale)))
        except np.linalg.LinAlgError:
            continue
        half = np.linalg.solve(factor, vector / scale)
        return np.asarray(np.linalg.solve(factor.T, half) / scale)
    return np.full_like(vector, np.nan)


def logit_likelihood(sets: RiskSets, coefficients: FloatArray, session_effects: FloatArray) -> Evaluation:
    """Log likelihood of the multinomial logit hazard (Tutz and Schmid 2016, ch. 8) with its derivatives.

    Parameters
    ----------
    sets : RiskSets
        Courses.
    coefficients : ndarray of float, shape (ends, columns)
        Effects of the columns.
    session_effects : ndarray of float, shape (ends, sessions)
        Effects of the sessions; minus infinity for an end that cannot happen there.

    Returns
    -------
    Evaluation
        Over ends * (columns + sessions) parameters.
    """
    K, p = coefficients.shape
    S = sets.max_session
    pairs = [(j, l) for j in range(K) for l in range(j, K)]
    finite = np.isfinite(session_effects)
    value = float(
        (sets.events * np.where(finite, session_effects, 0.0)).sum() + (sets.event_sums * coefficients).sum()
    )
    residual = sets.event_sums.copy()  # (ends, columns)
    session_residual = sets.events.copy()  # (ends, sessions)
    gram = np.zeros((len(pairs), p, p))
    cross = np.zeros((len(pairs), S, p))
    session_weight = np.zeros((len(pairs), S))
    for start in range(0, len(sets.X), _BLOCK):
        X = sets.X[start : start + _BLOCK]
        block = _Block(X @ coefficients.T, len(pairs), S)
        for k in range(S):
            m = min(int(sets.size[k]) - start, len(X))
            if m <= 0:
                break
            weight = None if sets.at_risk is None else sets.at_risk[start : start + m, k]
            block.visit(k, m, session_effects[:, k], weight)
        value -= block.log_denominators
        residual -= block.expected @ X
        session_residual -= block.expected_by_session
        session_weight += block.weight_by_session
        reached = block.reached
        cross[:, :reached] += block.weights[:, :reached] @ X
        for i in range(len(pairs)):
            gram[i] += (X * block.weight_sums[i, :, None]).T @ X
    gradient = np.concatenate([residual.ravel(), np.where(finite, session_residual, 0.0).ravel()])
    return Evaluation(value, gradient, _assemble(pairs, gram, cross, session_weight, K, p, S))


class _Block:
    """Working sums of one block of cases; odds of a session are exp(case) * exp(session), shifted when large."""

    def __init__(self, predictor: FloatArray, n_pairs: int, n_sessions: int) -> None:
        rows, K = predictor.shape
        self.predictor = predictor  # (rows, ends)
        # one exponential a case and end serves every session unless it could overflow
        self.exponent = (
            np.ascontiguousarray(np.exp(predictor.T)) if np.abs(predictor).max(initial=0.0) < 200 else None
        )
        self.log_denominators = 0.0
        self.expected = np.zeros((K, rows))
        self.expected_by_session = np.zeros((K, n_sessions))
        self.weight_by_session = np.zeros((n_pairs, n_sessions))
        self.weights = np.zeros((n_pairs, n_sessions, rows))
        self.weight_sums = np.zeros((n_pairs, rows))
        self.reached = 0

    def visit(self, k: int, m: int, effects: FloatArray, weight: FloatArray | None) -> None:
        """Add the first m cases of the block at session k (from 0)."""
        hazards, log_denominator = self._hazards(m, effects)
        self.log_denominators += float(log_denominator.sum() if weight is None else weight @ log_denominator)
        pair = 0
        for j, h in enumerate(hazards):
            expected = h if weight is None else weight * h
            self.expected[j, :m] += expected
            self.expected_by_session[j, k] += expected.sum()
            for l in range(j, len(hazards)):
                product = expected * (1.0 - h) if l == j else -expected * hazards[l]
                self.weights[pair, k, :m] = product
                self.weight_sums[pair, :m] += product
                self.weight_by_session[pair, k] += product.sum()
                pair += 1
        self.reached = k + 1

    def _hazards(self, m: int, effects: FloatArray) -> tuple[list[FloatArray], FloatArray]:
        finite = effects[np.isfinite(effects)]
        if self.exponent is not None and np.abs(finite).max(initial=0.0) < 200:
            odds = [e[:m] * np.exp(a) for e, a in zip(self.exponent, effects, strict=True)]
            total = 1.0 + odds[0]
            for more in odds[1:]:
                total += more
            return [o / total for o in odds], np.log(total)
        eta = self.predictor[:m] + effects  # (m, ends)
        shift = np.maximum(eta.max(axis=1), 0.0)
        scaled = np.exp(eta - shift[:, None])
        total = np.exp(-shift) + scaled.sum(axis=1)
        return [s / total for s in scaled.T], shift + np.log(total)


def _assemble(
    pairs: list[tuple[int, int]],
    gram: FloatArray,
    cross: FloatArray,
    session_weight: FloatArray,
    K: int,
    p: int,
    S: int,
) -> FloatArray:
    information = np.zeros((K * (p + S), K * (p + S)))
    for i, (j, l) in enumerate(pairs):
        blocks = (
            (slice(j * p, (j + 1) * p), slice(l * p, (l + 1) * p), gram[i]),
            (_session_rows(j, K, p, S), slice(l * p, (l + 1) * p), cross[i]),
            (_session_rows(l, K, p, S), slice(j * p, (j + 1) * p), cross[i]),
            (_session_rows(j, K, p, S), _session_rows(l, K, p, S), np.diag(session_weight[i])),
        )
        for rows, columns, values in blocks:
            information[rows, columns] = values
            information[columns, rows] = values.T
    return information


def _session_rows(end: int, K: int, p: int, S: int) -> slice:
    return slice(K * p + end * S, K * p + (end + 1) * S)
