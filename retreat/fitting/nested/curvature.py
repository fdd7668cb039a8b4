"""Log likelihood at one point with its gradient and information, patients integrated out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.nested.courses import Courses
from retreat.fitting.nested.hardness import Kinds

FloatArray = NDArray[np.float64]

# values of one working array: 256 KB, so that it stays in cache
_BLOCK_VALUES = 32_768


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
        odds /= total
        hazards.append(odds)
    for j in range(K):
        ended = courses.of_end(j)
        log_chance[ended] += eta[j, ended] + effects[j, courses.own[courses.sessions[ended] - 1], None]
    value, of_patient = _patients(courses, log_chance, kinds.shares(np.asarray(never)))

    information = _known(courses, X, hazards, of_patient[courses.patient], kinds)
    if not kinds.responds.all():
        information = _with_share(information, of_patient, never, kinds)
    gradient, spread = _spread(courses, X, _scores(courses, hazards, kinds, never), of_patient)
    return Curvature(value, gradient, information - spread)


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


@dataclass(frozen=True)
class _Scores:
    """Scores under each kind: of each case by its predictors and by all other parameters but the share.

    The score of a coefficient is that of the predictor times the column.
    """

    predictor: FloatArray  # (ends, cases, kinds)
    other: FloatArray  # (others, cases, kinds): session effects end by end, loadings
    share: FloatArray  # (kinds,): of a patient by the root of the share, or of no length


def _scores(courses: Courses, hazards: list[FloatArray], kinds: Kinds, never: float) -> _Scores:
    K, E, n, Q = courses.n_ends, courses.n_effects, len(courses.X), len(kinds.node)
    predictor, other = np.zeros((K, n, Q)), np.zeros((K * E + (K if kinds.hard else 0), n, Q))
    for k, hazard in enumerate(hazards):
        at_risk, own = hazard.shape[1], courses.own[k]
        predictor[:, :at_risk] -= hazard
        for j in range(K):
            other[j * E + own, :at_risk] -= hazard[j]
    for j in range(K):
        ended = courses.of_end(j)
        predictor[j, ended] += 1.0
        other[j * E + courses.own[courses.sessions[ended] - 1], ended] += 1.0
    if kinds.hard:
        np.multiply(predictor, kinds.node, out=other[K * E :])
    if kinds.responds.all():
        return _Scores(predictor, other, np.zeros(0))
    root = never**0.5
    return _Scores(predictor, other, np.where(kinds.responds, -2.0 * root / (1.0 - never), 2.0 / root))


def _spread(
    courses: Courses, X: FloatArray, scores: _Scores, of_patient: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean over the kinds of the whole score, and its variance over them: what not knowing the kind takes away."""
    K, p = courses.n_ends, X.shape[1]
    n_patients, Q = of_patient.shape
    last = K * p + len(scores.other)
    width = last + (1 if len(scores.share) else 0)
    gradient, out = np.zeros(width), np.zeros((width, width))
    block = max(1, _BLOCK_VALUES // (Q * width))
    for start in range(0, n_patients, block):
        weight = of_patient[start : start + block]
        score = np.empty((len(weight), Q, width))
        for number, rank in enumerate(courses.ranks):
            low, high = np.searchsorted(courses.patient[rank], (start, start + block))
            cases = rank[low:high]
            by_case = score if number == 0 else np.empty((len(cases), Q, last))
            for j in range(K):
                columns = slice(j * p, (j + 1) * p)
                np.multiply(scores.predictor[j, cases, :, None], X[cases, None], out=by_case[..., columns])
            by_case[..., K * p : last] = scores.other[:, cases].transpose(1, 2, 0)
            if number:
                score[courses.patient[cases] - start, :, :last] += by_case
        if width > last:
            score[..., last] = scores.share
        mean = (weight[:, None] @ score)[:, 0]
        gradient += mean.sum(axis=0)
        if Q > 1:
            score -= mean[:, None]
            score *= np.sqrt(weight)[..., None]
            flat = score.reshape(-1, width)
            out += flat.T @ flat
    return gradient, out


def _known(
    courses: Courses, X: FloatArray, hazards: list[FloatArray], share: FloatArray, kinds: Kinds
) -> FloatArray:
    """Information if the kind of each patient were known, averaged over the kinds (share, (cases, kinds))."""
    K, E, p, hard = courses.n_ends, courses.n_effects, X.shape[1], kinds.hard
    first, second = np.triu_indices(K)  # pairs of ends
    alike = np.flatnonzero(first == second)
    powers = kinds.node[:, None] ** np.arange(3 if hard else 1)  # times 1, the node and its square
    by_case = np.zeros((len(first), len(X), powers.shape[1]))
    crossed, total = np.zeros((E, len(first), p)), np.zeros((E, len(first), powers.shape[1]))
    for hazard, own in zip(hazards, courses.own, strict=True):
        at_risk = hazard.shape[1]
        bend = -hazard[first] * hazard[second]
        bend[alike] += hazard
        bend *= share[:at_risk]
        weight = bend @ powers  # (pairs, cases, powers)
        by_case[:, :at_risk] += weight
        crossed[own] += weight[..., 0] @ X[:at_risk]
        total[own] += weight.sum(axis=1)

    width = K * (p + E)
    out = np.zeros((width + (K if hard else 0),) * 2)
    for at, pair in enumerate(zip(first, second, strict=True)):
        weight = by_case[at]
        within = X.T @ (weight[:, :1] * X)
        for one, other in {pair, pair[::-1]}:
            rows, sessions = slice(one * p, (one + 1) * p), K * p + other * E + np.arange(E)
            out[rows, other * p : (other + 1) * p] = within
            out[rows, sessions] = crossed[:, at].T
            out[sessions, rows] = crossed[:, at]
            out[K * p + one * E + np.arange(E), sessions] = total[:, at, 0]
            if hard:
                out[width + one, other * p : (other + 1) * p] = weight[:, 1] @ X
                out[width + one, sessions] = total[:, at, 1]
                out[width + one, width + other] = total[:, at, 2].sum()
    out[:width, width:] = out[width:, :width].T
    return out


def _with_share(information: FloatArray, of_patient: FloatArray, never: float, kinds: Kinds) -> FloatArray:
    """Known information with the root of the share that never responds as a last parameter."""
    bend = np.where(kinds.responds, 2.0 * (1.0 + never) / (1.0 - never) ** 2, 2.0 / never)
    out = np.zeros((len(information) + 1,) * 2)
    out[:-1, :-1] = information
    out[-1, -1] = float((of_patient @ bend).sum())
    return out
