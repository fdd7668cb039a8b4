"""Logistic regression on a few columns by Newton's method, for recalibration and the smooth curve."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from retreat.validation._checked import FloatArray, IntArray

_MAX_STEPS = 50
# largest change of a linear predictor at which Newton's quadratic convergence has reached rounding
_TOLERANCE = 1e-9


@dataclass(frozen=True)
class LogisticFit:
    """Coefficients (p,), inverse information (p, p) and log likelihood of a converged fit."""

    coefficients: FloatArray
    covariance: FloatArray
    log_likelihood: float


def expit(eta: FloatArray) -> FloatArray:
    """Logistic function without overflow."""
    return np.asarray(np.exp(-np.logaddexp(0.0, -eta)))


def logit(probabilities: FloatArray) -> FloatArray:
    """Log odds; infinite at 0 and 1."""
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(probabilities) - np.log1p(-probabilities))


def log_likelihood(eta: FloatArray, y: FloatArray, weights: FloatArray) -> float:
    """Bernoulli log likelihood, which for pseudo-values y is a quasi log likelihood, concave as well."""
    return float(weights @ (y * eta - np.logaddexp(0.0, eta)))


def fit(
    X: FloatArray, y: FloatArray, weights: FloatArray, offset: FloatArray | float = 0.0
) -> LogisticFit | None:
    """Root of sum w x (y - expit(offset + x b)) = 0, or None if there is no finite one.

    Separated outcomes move some linear predictors on by about 1 a step for ever, which never meets the
    tolerance on their change.
    """
    coefficients = np.zeros(X.shape[1])
    eta = offset + X @ coefficients
    value = log_likelihood(eta, y, weights)
    for _ in range(_MAX_STEPS):
        mu = expit(eta)
        information = (X.T * (weights * mu * (1.0 - mu))) @ X
        step = _solve(information, X.T @ (weights * (y - mu)))
        if step is None:
            return None
        size = 1.0
        while size > 1e-8:
            trial = offset + X @ (coefficients + size * step)
            reached = log_likelihood(trial, y, weights)
            if reached >= value - 1e-10 * (1.0 + abs(value)):
                break
            size /= 2.0
        coefficients = coefficients + size * step
        change = float(np.max(np.abs(trial - eta)))
        eta, value = trial, reached
        if size == 1.0 and change < _TOLERANCE * (1.0 + float(np.max(np.abs(eta)))):
            return _finished(X, coefficients, eta, y, weights)
    return None


def sandwich(
    fitted: LogisticFit,
    X: FloatArray,
    y: FloatArray,
    weights: FloatArray,
    groups: IntArray | None,
    offset: FloatArray | float = 0.0,
) -> FloatArray:
    """Covariance of the coefficients with scores summed by group (Liang and Zeger 1986, from memory).

    Without groups every case is its own, and a row of weight 2 is two cases.
    """
    scores = X * (y - expit(offset + X @ fitted.coefficients))[:, None]  # (n, p)
    return np.asarray(fitted.covariance @ sum_of_squares(scores, weights, groups) @ fitted.covariance)


def sum_of_squares(scores: FloatArray, weights: FloatArray, groups: IntArray | None) -> FloatArray:
    """Sum over groups of the outer square of a group's sum, shape (p, p), times groups / (groups - 1)."""
    if groups is None:
        present = float(weights.sum())
        squares = (scores.T * weights) @ scores
    else:
        present = float(len(np.unique(groups[weights > 0])))
        sums = np.stack([np.bincount(groups, weights * column) for column in scores.T])
        squares = sums @ sums.T
    return np.asarray(squares * (present / (present - 1.0) if present > 1 else np.nan))


def _finished(
    X: FloatArray, coefficients: FloatArray, eta: FloatArray, y: FloatArray, weights: FloatArray
) -> LogisticFit | None:
    mu = expit(eta)
    covariance = _solve((X.T * (weights * mu * (1.0 - mu))) @ X, np.eye(X.shape[1]))
    if covariance is None:
        return None
    return LogisticFit(coefficients, covariance, log_likelihood(eta, y, weights))


def _solve(information: FloatArray, right: FloatArray) -> FloatArray | None:
    """Solution for a positive definite matrix, scaled to a unit diagonal first; None if it is singular."""
    diagonal = np.diag(information)
    if not np.all(diagonal > 0):
        return None
    scale = 1.0 / np.sqrt(diagonal)
    scaled = information * scale * scale[:, None]
    if np.linalg.eigvalsh(scaled)[0] < 1e-12:
        return None
    return np.asarray((scale * np.linalg.solve(scaled, (scale * right.T).T).T).T)
