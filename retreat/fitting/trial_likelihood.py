"""Likelihood of trials until success when chances differ by a beta distribution, and its maxima."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.newton import Evaluation, Penalty, Solution, maximise

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# standard errors that the score of the heterogeneity lies above 0; under this an interior maximum would gain less
# than rounding
_FLAT = 1e-6


@dataclass(frozen=True)
class TrialTable:
    """Equal covariate patterns counted by session."""

    X: FloatArray  # (patterns, 1 + columns), a column of ones first
    at_risk: FloatArray  # (patterns, sessions)
    went_on: FloatArray  # (patterns, sessions): at risk and no success
    successes: FloatArray  # (patterns,)


def collapse(X: FloatArray, sessions: IntArray, ending: IntArray, weights: FloatArray) -> TrialTable:
    """Table of weighted courses; equal rows of X become one pattern."""
    if X.shape[1]:
        distinct, pattern = np.unique(X, axis=0, return_inverse=True)
    else:
        distinct, pattern = np.zeros((1, 0)), np.zeros(len(X), dtype=np.int64)
    shape = len(distinct), int(sessions.max())
    cell = pattern.ravel() * shape[1] + sessions - 1
    successes, censored = (
        np.bincount(cell, weights=w, minlength=shape[0] * shape[1]).reshape(shape)
        for w in (weights * ending, weights * (1 - ending))
    )
    at_risk = np.cumsum((successes + censored)[:, ::-1], axis=1)[:, ::-1]
    # added up, not subtracted: exactly 0 where all at risk succeeded
    went_on = censored + np.column_stack([at_risk[:, 1:], np.zeros(shape[0])])
    design = np.column_stack([np.ones(shape[0]), distinct])
    return TrialTable(design, at_risk, went_on, successes.sum(axis=1))


@dataclass(frozen=True)
class _Derivatives:
    """Log likelihood with derivatives by the linear predictor of each pattern and by theta."""

    value: float
    by_predictor: FloatArray  # (patterns,)
    by_theta: float
    # second derivatives, negated: predictor twice, predictor and theta (patterns,); theta twice
    observed: tuple[FloatArray, FloatArray, float]
    expected: tuple[FloatArray, FloatArray, float]


def _derive(table: TrialTable, eta: FloatArray, theta: float) -> _Derivatives:
    r"""Derivatives of the log likelihood of hazards :math:`\mu / (1 + \theta i)` at session i + 1.

    Going on has probability :math:`(1 - \mu + \theta i) / (1 + \theta i)`: products over sessions, exact down to
    theta = 0, where the beta functions of large arguments would cancel.
    """
    mean, rest = np.exp(-np.logaddexp(0.0, -eta)), np.exp(-np.logaddexp(0.0, eta))  # (patterns,)
    before = np.arange(table.at_risk.shape[1])  # sessions done before each
    spread = 1.0 + theta * before  # (sessions,)
    going = np.maximum(rest[:, None] + theta * before, 1e-300)  # (patterns, sessions)
    share = rest[:, None] / going
    on, risk = table.went_on, table.at_risk
    value = float(
        -table.successes @ np.logaddexp(0.0, -eta)
        + (on * np.log(going)).sum()
        - (risk * np.log(spread)).sum()
    )
    on_share = on * share
    observed = (
        mean * rest * (table.successes + on_share.sum(axis=1))
        - mean**2 * (on_share * (1.0 - share)).sum(axis=1),
        -mean * (on_share * before / going).sum(axis=1),
        float((on * (before / going) ** 2).sum() - (risk * (before / spread) ** 2).sum()),
    )
    expected = (
        mean * rest * (risk * share).sum(axis=1),
        -mean * (risk * share * before / spread).sum(axis=1),
        float((mean[:, None] * risk * (before / spread) ** 2 / going).sum()),
    )
    return _Derivatives(
        value,
        table.successes * rest - mean * on_share.sum(axis=1),
        float((on * before / going).sum() - (risk * before / spread).sum()),
        observed,
        expected,
    )


def fit_geometric(table: TrialTable) -> Solution:
    """Maximum without heterogeneity, over intercept and coefficients."""

    def objective(parameters: FloatArray) -> Evaluation:
        at = _derive(table, table.X @ parameters, 0.0)
        return Evaluation(at.value, at.by_predictor @ table.X, (table.X.T * at.observed[0]) @ table.X)

    start = np.zeros(table.X.shape[1])
    chance = table.successes.sum() / table.at_risk.sum()
    start[0] = np.log(chance / (1.0 - chance))
    return maximise(objective, start, _free(len(start)))


def fit_interior(table: TrialTable, geometric: Solution) -> Solution | None:
    """Maximum at a positive heterogeneity, by intercept, log(1 + theta), coefficients; None when there is none.

    The score of theta at the geometric fit decides: the profile over theta has one maximum in every table of
    sessions we tried. Steps by the expected information first, which is positive everywhere, then by the observed.
    """
    start = np.insert(geometric.theta, 1, 0.0)
    evaluation = _evaluate(table, start, exact=False)
    if not _score_in_errors(evaluation) > _FLAT:
        return None
    first = maximise(
        lambda at: _evaluate(table, at, exact=False), start, _free(len(start)), curvature="expected"
    )
    if not first.converged:
        return first
    last = maximise(lambda at: _evaluate(table, at, exact=True), first.theta, _free(len(start)))
    return replace(last, n_steps=first.n_steps + last.n_steps)


def _evaluate(table: TrialTable, parameters: FloatArray, *, exact: bool) -> Evaluation:
    """Log likelihood by (intercept, log(1 + theta), coefficients); minus infinity at a negative theta."""
    coefficients = np.delete(parameters, 1)
    theta = float(np.expm1(min(parameters[1], 700.0)))
    at = _derive(table, table.X @ coefficients, max(theta, 0.0))
    twice, across, theta_twice = at.observed if exact else at.expected
    stretch = 1.0 + theta  # d theta / d log(1 + theta)
    own = np.delete(np.arange(len(parameters)), 1)
    gradient = np.empty(len(parameters))
    gradient[own], gradient[1] = at.by_predictor @ table.X, at.by_theta * stretch
    information = np.empty((len(parameters), len(parameters)))
    information[np.ix_(own, own)] = (table.X.T * twice) @ table.X
    information[own, 1] = information[1, own] = (across @ table.X) * stretch
    information[1, 1] = theta_twice * stretch**2 - (at.by_theta * stretch if exact else 0.0)
    return Evaluation(at.value if theta >= 0 else -np.inf, gradient, information)


def _score_in_errors(evaluation: Evaluation) -> float:
    """Score of theta in its standard errors, where the score of the others is 0."""
    own = np.delete(np.arange(len(evaluation.gradient)), 1)
    across = evaluation.information[own, 1]
    along = np.linalg.lstsq(evaluation.information[np.ix_(own, own)], across, rcond=None)[0]
    left = evaluation.information[1, 1] - across @ along
    return float(evaluation.gradient[1] / np.sqrt(left)) if left > 0 else 0.0


def _free(n: int) -> Penalty:
    return Penalty(np.zeros(n), np.zeros((n, n)))
