"""Log likelihood at one point with its gradient and information, patients integrated out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.nested.courses import Courses
from retreat.fitting.nested.hardness import Kinds

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Curvature:
    """A quadratic for the log likelihood around a point.

    Parameters
    ----------
    value : float
        Log likelihood.
    gradient : ndarray, shape (parameters,)
        Its gradient.
    information : ndarray, shape (parameters, parameters)
        Minus its second derivatives.
    """

    value: float
    gradient: FloatArray
    information: FloatArray


def curvature(
    courses: Courses, X: FloatArray, point: FloatArray, loading: FloatArray, never: float, kinds: Kinds
) -> Curvature:
    """Log likelihood of all courses at one point, with first and second derivatives.

    The information is that of courses whose patients' kinds are known, less what not knowing them takes away
    (Louis 1982, from memory).

    Parameters
    ----------
    courses : Courses
        Courses.
    X : ndarray, shape (cases, columns)
        Columns with a coefficient an end: those of the courses, and one a operator where they enter.
    point : ndarray, shape (ends * (columns + session effects),)
        Coefficients end by end, then session effects end by end.
    loading : ndarray, shape (ends,)
        Effects of the patient factor.
    never : float
        Share of patients whose eyes never respond.
    kinds : Kinds
        Nodes of the integral over patients.

    Returns
    -------
    Curvature
        Over the point, then the loadings where there is more than one node, then the root of the share where some
        kind never responds.
    """
    K, E, n, Q = courses.n_ends, courses.n_effects, len(X), len(kinds.node)
    effects = point[K * X.shape[1] :].reshape(K, E)
    eta = (X @ point[: K * X.shape[1]].reshape(K, -1).T).T[:, :, None] + loading[:, None, None] * kinds.node
    eta[0][:, ~kinds.responds] = -np.inf

    log_chance = np.zeros((n, Q))
    hazards = []  # of each session, (ends, cases at risk, kinds)
    for k, at_risk in enumerate(courses.size):
        odds = np.exp(eta[:, :at_risk] + effects[:, courses.own[k], None, None])
        total = 1.0 + odds.sum(axis=0)
        log_chance[:at_risk] -= np.log(total)
        hazards.append(odds / total)
    for j in range(K):
        ended = courses.of_end(j)
        log_chance[ended] += eta[j, ended] + effects[j, courses.own[courses.sessions[ended] - 1], None]
    value, of_patient = _patients(courses, log_chance, kinds.shares(np.asarray(never)))

    scores = _scores(courses, X, hazards, kinds)  # (patients, kinds, parameters)
    information = _known(courses, X, hazards, of_patient[courses.patient], kinds)
    if not kinds.responds.all():
        scores, information = _with_share(scores, information, of_patient, never, kinds)
    mean = np.einsum("pq,pqd->pd", of_patient, scores)
    if Q > 1:
        scores -= mean[:, None]
        scores *= np.sqrt(of_patient)[:, :, None]
        flat = scores.reshape(-1, scores.shape[-1])
        information -= flat.T @ flat
    return Curvature(value, mean.sum(axis=0), information)


def _patients(courses: Courses, log_chance: FloatArray, shares: FloatArray) -> tuple[float, FloatArray]:
    """Log likelihood, and the share of each kind given each patient's courses, (patients, kinds)."""
    whole = log_chance[courses.ranks[0]]
    for later in courses.ranks[1:]:
        whole[courses.patient[later]] += log_chance[later]
    with np.errstate(divide="ignore"):
        whole = whole + np.log(shares)
    top = whole.max(axis=1, keepdims=True)
    likely = np.exp(whole - top)
    total = likely.sum(axis=1, keepdims=True)
    return float((np.log(total) + top).sum()), likely / total


def _scores(courses: Courses, X: FloatArray, hazards: list[FloatArray], kinds: Kinds) -> FloatArray:
    """Score of each patient under each kind, shape (patients, kinds, parameters)."""
    K, E, p = courses.n_ends, courses.n_effects, X.shape[1]
    n, Q = len(X), len(kinds.node)
    width = K * (p + E)
    out = np.zeros((n, Q, width + (K if kinds.hard else 0)))
    predictor = np.zeros((K, n, Q))
    for k, hazard in enumerate(hazards):
        at_risk, own = hazard.shape[1], courses.own[k]
        predictor[:, :at_risk] -= hazard
        for j in range(K):
            out[:at_risk, :, K * p + j * E + own] -= hazard[j]
    for j in range(K):
        ended = courses.of_end(j)
        predictor[j, ended] += 1.0
        out[ended, :, K * p + j * E + courses.own[courses.sessions[ended] - 1]] += 1.0
        np.multiply(predictor[j][:, :, None], X[:, None, :], out=out[:, :, j * p : (j + 1) * p])
        if kinds.hard:
            np.multiply(predictor[j], kinds.node, out=out[:, :, width + j])
    whole = out[courses.ranks[0]]
    for later in courses.ranks[1:]:
        whole[courses.patient[later]] += out[later]
    return whole


def _known(
    courses: Courses, X: FloatArray, hazards: list[FloatArray], share: FloatArray, kinds: Kinds
) -> FloatArray:
    """Information if the kind of each patient were known, averaged over the kinds (share, (cases, kinds))."""
    K, E, p = courses.n_ends, courses.n_effects, X.shape[1]
    width = K * (p + E)
    out = np.zeros((width + (K if kinds.hard else 0),) * 2)
    by_case = np.zeros((K, K, len(X), 3 if kinds.hard else 1))  # times 1, the node and its square
    powers = kinds.node[:, None] ** np.arange(by_case.shape[-1])
    for k, hazard in enumerate(hazards):
        at_risk, own = hazard.shape[1], courses.own[k]
        for j in range(K):
            for end in range(j, K):
                product = (hazard[j] if j == end else 0.0) - hazard[j] * hazard[end]
                weight = (product * share[:at_risk]) @ powers  # (cases, powers)
                by_case[j, end, :at_risk] += weight
                for one, other in {(j, end), (end, j)}:
                    session = K * p + other * E + own
                    out[one * p : (one + 1) * p, session] += weight[:, 0] @ X[:at_risk]
                    out[K * p + one * E + own, session] += weight[:, 0].sum()
                    if kinds.hard:
                        out[width + one, session] += weight[:, 1].sum()
    for j in range(K):
        rows = slice(j * p, (j + 1) * p)
        out[K * p : width, rows] = out[rows, K * p : width].T
        for end in range(K):
            weight = by_case[min(j, end), max(j, end)]
            out[rows, end * p : (end + 1) * p] = X.T @ (weight[:, :1] * X)
            if kinds.hard:
                out[width + end, rows] = weight[:, 1] @ X
                out[width + j, width + end] = weight[:, 2].sum()
    out[:width, width:] = out[width:, :width].T
    return out


def _with_share(
    scores: FloatArray, information: FloatArray, of_patient: FloatArray, never: float, kinds: Kinds
) -> tuple[FloatArray, FloatArray]:
    """Scores and known information with the root of the share that never responds as a last parameter."""
    root = never**0.5
    slope = np.where(kinds.responds, -2.0 * root / (1.0 - never), 2.0 / root)
    bend = np.where(kinds.responds, 2.0 * (1.0 + never) / (1.0 - never) ** 2, 2.0 / never)
    last = np.broadcast_to(slope, scores.shape[:2])[..., None]
    out = np.zeros((len(information) + 1,) * 2)
    out[:-1, :-1] = information
    out[-1, -1] = float((of_patient @ bend).sum())
    return np.concatenate([scores, last], axis=2), out
