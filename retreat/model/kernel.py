"""From parameter draws and coded cases to the probabilities of each end at each session: matrix algebra only."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from retreat.hazard import Link, hazards_and_going_on

FloatArray = NDArray[np.float64]

# Gauss-Hermite nodes for the patient effect: up to a standard deviation of 2, 25 integrate to 1e-4, and to
# 5e-4 where a case already had six sessions (checked against adaptive quadrature in the tests)
_N_NODES = 25
# values of one block of the working arrays: about 0.5 MB each, so that a block stays in cache
_BLOCK_VALUES = 65_536
# cases and draws of one block of the mean: five arrays of 128 KB each, and short sums in single precision
_MEAN_CASES = 64
_MEAN_DRAWS = 512
# chance of still being in treatment below which a forecast given it means nothing
_NO_CHANCE = 1e-290


@dataclass(frozen=True)
class Parameters:
    """Draws of everything a forecast needs, axis order (draws, ..., ends, ...).

    Parameters
    ----------
    coefficients : ndarray, shape (draws, ends, columns)
        Effects of the coded columns.
    session_effects : ndarray, shape (draws, strata, ends, sessions)
        Effects of the sessions; one stratum unless the model is a table by level.
    operator_effect : ndarray, shape (draws, ends)
        Effect of an operator the model has not seen; zeros where operators do not enter.
    patient_loading : ndarray, shape (draws, ends)
        Effects of one standard deviation of how hard a patient's eyes are: one standard normal number a patient
        moves all ends, each by its loading, of either sign; zeros where patients do not enter.
    never : ndarray, shape (draws,) or (1,)
        Share of eyes that the first end can never happen to (mover-stayer); zero where all can.
    """

    coefficients: FloatArray
    session_effects: FloatArray
    operator_effect: FloatArray
    patient_loading: FloatArray
    never: FloatArray = field(default_factory=lambda: np.zeros(1))

    @property
    def n_draws(self) -> int:
        """How many draws."""
        return int(self.coefficients.shape[0])

    @property
    def n_ends(self) -> int:
        """How many ends."""
        return int(self.coefficients.shape[1])

    @property
    def max_session(self) -> int:
        """Largest session with an effect of its own."""
        return int(self.session_effects.shape[-1])

    @property
    def of_many_kinds(self) -> bool:
        """Whether draws tell of operators or patients unlike each other, so that a course speaks for some of them."""
        return bool(self.operator_effect.any() or self.patient_loading.any() or self.never.any())

    def thinned(self, draws: int) -> Parameters:
        """So many of the draws, evenly spaced."""
        kept = np.linspace(0, self.n_draws - 1, draws).astype(int)
        return Parameters(
            coefficients=self.coefficients[kept],
            session_effects=self.session_effects[kept],
            operator_effect=self.operator_effect[kept],
            patient_loading=self.patient_loading[kept],
            never=self.never[kept] if len(self.never) > 1 else self.never,
        )

    def sessions_to(self, horizon: int) -> FloatArray:
        """Session effects to the horizon; beyond the largest session the last one is carried on."""
        last = self.max_session
        index = np.minimum(np.arange(horizon), last - 1)
        return self.session_effects[..., index]


def pmf(
    parameters: Parameters, X: FloatArray, stratum: NDArray[np.intp], *, horizon: int, link: Link
) -> FloatArray:
    """Probability of ending in each way at exactly each session, from before the first.

    Parameters
    ----------
    parameters : Parameters
        Draws.
    X : ndarray of float, shape (cases, columns)
        Coded cases, none missing.
    stratum : ndarray of int, shape (cases,)
        Stratum of each case.
    horizon : int
        Largest session.
    link : {"logit", "cloglog"}
        Link of the hazards.

    Returns
    -------
    ndarray of float, shape (draws, cases, ends, horizon)
        Averaged over the patient effect within each draw.
    """
    return pmf_after(parameters, X, stratum, np.zeros(len(X), dtype=np.int64), horizon=horizon, link=link)[0]


def pmf_after(
    parameters: Parameters,
    X: FloatArray,
    stratum: NDArray[np.intp],
    done: NDArray[np.int64],
    *,
    horizon: int,
    link: Link,
) -> tuple[FloatArray, FloatArray]:
    """Probability of ending in each way at exactly each session after those done, from before the first.

    Parameters
    ----------
    parameters, X, stratum, horizon, link
        As for :func:`pmf`.
    done : ndarray of int, shape (cases,)
        Sessions each case has had.

    Returns
    -------
    ndarray of float, shape (draws, cases, ends, horizon)
        0 at sessions up to `done`.
    ndarray of float, shape (draws, cases)
        Probability of still being in treatment after `done` sessions (after the horizon, if that is less).
        Both may be averaged, over patients here or over completions of a case by the caller, before the one
        is divided by the other; the share is a product, so it keeps its digits where it is nearly 0.
    """
    draws, ends = parameters.n_draws, parameters.n_ends
    out = np.zeros((draws, len(X), ends, horizon))
    left = np.zeros((draws, len(X)))
    by_session = parameters.sessions_to(horizon)  # (draws, strata, ends, horizon)
    block = max(1, _BLOCK_VALUES // max(1, draws * ends))
    for start in range(0, len(X), block):
        rows = slice(start, start + block)
        reached = np.minimum(done[rows], horizon)
        to_come = np.arange(horizon) >= reached[:, None]  # (cases, horizon)
        case = np.einsum("np,dkp->dnk", X[rows], parameters.coefficients, optimize=True)
        case += parameters.operator_effect[:, None, :]  # (draws, cases, ends)
        sessions = by_session[:, stratum[rows]]  # (draws, cases, ends, horizon)
        for first, node, weight in _kinds_of_eye(parameters):
            shifted = case + node * parameters.patient_loading[:, None, :]
            if not first:
                shifted[..., 0] = -np.inf
            hazards, going_on = hazards_and_going_on(shifted[..., None] + sessions, link)
            staying = np.ones((*case.shape[:2], horizon + 1))  # after 0, 1, ... sessions
            np.cumprod(going_on, axis=-1, out=staying[..., 1:])
            hazards *= (staying[..., :-1] * to_come)[:, :, None, :]
            out[:, rows] += weight[:, None, None, None] * hazards
            left[:, rows] += weight[:, None] * staying[:, np.arange(len(reached)), reached]
    return out, left


def mean_pmf(parameters: Parameters, X: FloatArray, stratum: NDArray[np.intp], *, horizon: int) -> FloatArray:
    """Mean over draws of :func:`pmf` under the logit link, without keeping the draws.

    One exponential a case, draw and end: with e = exp(case) and s = exp(session), the share in treatment
    is the running product of 1 / (1 + sum e s), and ending at k is that share after k times e s. Products are
    in single precision, sums over blocks of draws in double: the mean is within 1e-6 of the exact one (5e-8
    seen at 4,000 draws).

    Parameters
    ----------
    parameters, X, stratum, horizon
        As for :func:`pmf`.

    Returns
    -------
    ndarray of float, shape (cases, ends, horizon)

    Raises
    ------
    FloatingPointError
        If a linear predictor is so large that the plain exponential overflows.
    """
    out = np.zeros((len(X), parameters.n_ends, horizon))
    narrow = np.ascontiguousarray(X, dtype=np.float32)
    # one contiguous array each: (ends, columns, draws), (draws, strata, ends, horizon)
    coefficients = np.ascontiguousarray(parameters.coefficients.transpose(1, 2, 0), dtype=np.float32)
    with np.errstate(over="raise"):
        odds = np.exp(parameters.sessions_to(horizon)).astype(np.float32)
        for first, node, weight in _kinds_of_eye(parameters):
            # (ends, draws)
            shift = (parameters.operator_effect + node * parameters.patient_loading).T.astype(np.float32)
            if not first:
                shift[0] = -np.inf
            share = np.broadcast_to(weight / parameters.n_draws, parameters.n_draws).astype(np.float32)
            for level in np.flatnonzero(np.bincount(stratum)):  # np.unique would load masked arrays
                by_session = np.ascontiguousarray(odds[:, level].transpose(1, 2, 0))  # (ends, horizon, draws)
                rows = np.flatnonzero(stratum == level)
                for start in range(0, len(rows), _MEAN_CASES):
                    chosen = rows[start : start + _MEAN_CASES]
                    out[chosen] += _sum_over_draws(narrow[chosen], coefficients, shift, by_session, share)
    return out


def given_done(probabilities: FloatArray, left: FloatArray) -> FloatArray:
    """Probabilities given that the case was still in treatment, from :func:`pmf_after`'s two arrays.

    Returns
    -------
    ndarray of float, shape (draws, cases, ends, horizon)
        The first array, divided in place; NaN where the model gives no chance of getting so far.
    """
    possible = np.where(left > _NO_CHANCE, left, np.nan)
    return np.divide(probabilities, possible[:, :, None, None], out=probabilities)


def reweighted(probabilities: FloatArray, left: FloatArray, done: NDArray[np.int64]) -> FloatArray:
    """Draws of each case in its course, resampled by how well they explain that it is still in treatment.

    An operator whose cases end late is the likelier one for an eye that has had many sessions: by Bayes' rule a
    draw counts in proportion to its probability of getting so far. Systematic resampling (Kitagawa 1996,
    from memory) at fixed points, so that the same case gives the same draws.

    Parameters
    ----------
    probabilities : ndarray of float, shape (draws, cases, ends, horizon)
        From :func:`given_done`.
    left : ndarray of float, shape (draws, cases)
        From :func:`pmf_after`.
    done : ndarray of int, shape (cases,)
        Sessions each case has had; cases with none are left as they are.
    """
    draws = len(left)
    points = (np.arange(draws) + 0.5) / draws
    for case in np.flatnonzero(done > 0):
        total = np.cumsum(left[:, case])
        if total[-1] > 0:
            chosen = np.searchsorted(total / total[-1], points)
            probabilities[:, case] = probabilities[np.minimum(chosen, draws - 1), case]
    return probabilities


def _sum_over_draws(
    X: NDArray[np.float32],
    coefficients: NDArray[np.float32],
    shift: NDArray[np.float32],
    odds: NDArray[np.float32],
    weight: NDArray[np.float32],
) -> FloatArray:
    """Weighted sum over draws of the pmf of a block of cases, shape (cases, ends, horizon)."""
    ends, horizon, draws = odds.shape
    total = np.zeros((len(X), ends, horizon))
    for start in range(0, draws, _MEAN_DRAWS):
        part = slice(start, start + _MEAN_DRAWS)
        case = [np.exp(X @ coefficients[j, :, part] + shift[j, part]) for j in range(ends)]  # (cases, draws)
        staying = np.ones_like(case[0])
        denominator, term = np.empty_like(staying), np.empty_like(staying)
        for k in range(horizon):
            np.multiply(case[0], odds[0, k, part], out=denominator)
            denominator += np.float32(1.0)
            for j in range(1, ends):
                np.multiply(case[j], odds[j, k, part], out=term)
                denominator += term
            staying /= denominator
            for j in range(ends):
                np.multiply(staying, case[j], out=term)
                total[:, j, k] += term @ (odds[j, k, part] * weight[part])
    return total


def _kinds_of_eye(parameters: Parameters) -> list[tuple[bool, float, FloatArray]]:
    """Kinds of eye to average over: whether the first end can happen, how hard (a node), share (draws or 1,)."""
    nodes, weights = np.zeros(1), np.ones(1)
    if parameters.patient_loading.any():
        nodes, weights = np.polynomial.hermite_e.hermegauss(_N_NODES)
        weights = weights / weights.sum()
    never = parameters.never
    kinds = [(True, float(z), (1.0 - never) * w) for z, w in zip(nodes, weights, strict=True)]
    if never.any():
        kinds += [(False, float(z), never * w) for z, w in zip(nodes, weights, strict=True)]
    return kinds
