"""Likelihood of grouped proportional rates (complementary log-log hazards), one or several ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.newton import Evaluation

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# below this a sum of rates is so small that its series is exact to rounding
_SMALL = 1e-4
# predictor beyond which a rate is cut off: its square must still be a number
_LARGEST = 300.0


@dataclass(frozen=True)
class OrderedCourses:
    """Courses with the longest first, so that a risk set is a prefix; shapes (cases, columns) and (cases,)."""

    X: FloatArray
    sessions: IntArray
    ending: IntArray
    weights: FloatArray


def order_courses(
    X: FloatArray, sessions: IntArray, ending: IntArray, weights: FloatArray | None
) -> OrderedCourses:
    """Order courses for :func:`cloglog_likelihood`."""
    order = np.argsort(-sessions, kind="stable")
    w = np.ones(len(X)) if weights is None else weights
    return OrderedCourses(X[order], sessions[order], ending[order], w[order])


def cloglog_likelihood(courses: OrderedCourses, coefficients: FloatArray, effects: FloatArray) -> Evaluation:
    r"""Log likelihood with gradient and expected information.

    With rates :math:`\lambda_j = e^{\eta_j}` and :math:`\Lambda = \sum_j \lambda_j` a session ends in way j
    with probability :math:`(1 - e^{-\Lambda}) \lambda_j / \Lambda` (Prentice and Gloeckler 1978 for one end).

    Parameters
    ----------
    courses : OrderedCourses
        Courses.
    coefficients : ndarray of float, shape (ends, columns)
        Effects of the columns.
    effects : ndarray of float, shape (ends, sessions)
        Effects of the sessions; minus infinity where an end cannot happen.
    """
    K, p = coefficients.shape
    S = effects.shape[1]
    case = courses.X @ coefficients.T
    value = 0.0
    gradient = np.zeros(K * (p + S))
    information = np.zeros((K * (p + S), K * (p + S)))
    for k in range(S):
        m = int(np.searchsorted(-courses.sessions, -(k + 1), side="right"))
        w = courses.weights[:m]
        ended = np.where(courses.sessions[:m] == k + 1, courses.ending[:m], 0)
        log_p, slopes = _log_probabilities(case[:m] + effects[:, k])
        value += float(w @ log_p[np.arange(m), ended])
        _add(gradient, information, courses.X[:m], w, ended, np.exp(log_p), slopes, k, S)
    return Evaluation(value, gradient, information)


def course_scores(eta: FloatArray, sessions: IntArray, ending: IntArray) -> FloatArray:
    """Slope of each course's log likelihood in its linear predictors, both of shape (cases, ends, sessions)."""
    out = np.zeros_like(eta)
    for k in range(eta.shape[2]):
        at_risk = np.flatnonzero(sessions > k)
        ended = np.where(sessions[at_risk] == k + 1, ending[at_risk], 0)
        _, slopes = _log_probabilities(eta[at_risk, :, k])
        out[at_risk, :, k] = slopes[np.arange(len(at_risk)), ended]
    return out


def _log_probabilities(eta: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Log probabilities of going on (0) and each end, (cases, 1 + ends), and slopes (cases, 1 + ends, ends)."""
    eta = np.minimum(eta, _LARGEST)
    rates = np.exp(eta)
    total = rates.sum(axis=1)
    # a session at which nothing can happen has total 0; its infinities are replaced below
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        log_ended = np.log(-np.expm1(-total))
        log_total = np.log(total)
        pull = np.where(total < _SMALL, -0.5 + total / 12.0, 1.0 / np.expm1(total) - 1.0 / total)
    impossible = total <= 0
    share = np.where(np.isfinite(eta), eta - np.where(impossible, 0.0, log_total)[:, None], -np.inf)
    log_p = np.concatenate(
        [-total[:, None], np.where(impossible, -np.inf, log_ended)[:, None] + share], axis=1
    )
    K = eta.shape[1]
    slopes = np.empty((len(eta), 1 + K, K))
    slopes[:, 0] = -rates
    slopes[:, 1:] = (rates * pull[:, None])[:, None, :] + np.eye(K)
    return log_p, slopes


def _add(
    gradient: FloatArray,
    information: FloatArray,
    X: FloatArray,
    w: FloatArray,
    ended: IntArray,
    probabilities: FloatArray,
    slopes: FloatArray,
    k: int,
    S: int,
) -> None:
    m, K = len(X), slopes.shape[2]
    p = X.shape[1]
    score = w[:, None] * slopes[np.arange(m), ended]  # (m, ends)
    weight = np.einsum("i,ic,icj,icl->ijl", w, probabilities, slopes, slopes, optimize=True)
    for j in range(K):
        rows, at = slice(j * p, (j + 1) * p), K * p + j * S + k
        gradient[rows] += X.T @ score[:, j]
        gradient[at] += score[:, j].sum()
        for l in range(K):
            columns, bt = slice(l * p, (l + 1) * p), K * p + l * S + k
            information[rows, columns] += (X * weight[:, j, l, None]).T @ X
            information[rows, bt] += X.T @ weight[:, j, l]
            information[at, columns] += weight[:, j, l] @ X
            information[at, bt] += weight[:, j, l].sum()
