"""Firth's penalised likelihood for the multinomial logit hazard: finite estimates under separation."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from retreat.counts import RiskSets
from retreat.fitting.layout import Layout
from retreat.fitting.newton import Evaluation, logit_likelihood
from retreat.hazard import hazards

FloatArray = NDArray[np.float64]


def firth_likelihood(sets: RiskSets, layout: Layout, theta: FloatArray) -> Evaluation:
    r"""Log likelihood plus half the log determinant of the information, over the free parameters.

    The score becomes :math:`U + \tfrac12 \mathrm{tr}(I^{-1} \partial I)`, which removes the first-order
    bias of the estimate (Firth 1993 [1]_) and keeps it finite under separation (Heinze and Schemper
    2002 [2]_). The information itself is left as it is: it gives the Newton direction and the covariance.

    Parameters
    ----------
    sets : RiskSets
        Courses.
    layout : Layout
        Free parameters; no end may be fixed as impossible.
    theta : ndarray of float, shape (free,)
        Where to evaluate.

    References
    ----------
    .. [1] Firth D. Bias reduction of maximum likelihood estimates. Biometrika 1993;80:27-38 (from memory).
    .. [2] Heinze G, Schemper M. A solution to the problem of separation in logistic regression.
       Stat Med 2002;21:2409-2419 (from memory).
    """
    coefficients, effects = layout.split(theta)
    plain = layout.free(logit_likelihood(sets, coefficients, effects))
    sign, log_determinant = np.linalg.slogdet(plain.information)
    if sign <= 0:
        return Evaluation(-np.inf, plain.gradient, plain.information)
    spread = layout.matrix @ np.linalg.inv(plain.information) @ layout.matrix.T
    shift = layout.matrix.T @ _shift(sets, coefficients, effects, spread)
    return Evaluation(plain.value + 0.5 * log_determinant, plain.gradient + shift, plain.information)


def _shift(sets: RiskSets, coefficients: FloatArray, effects: FloatArray, spread: FloatArray) -> FloatArray:
    """Half the trace of the inverse information times its derivative, over all parameters."""
    K, p = coefficients.shape
    S = sets.max_session
    case = sets.X @ coefficients.T
    by_end = np.zeros((K, p))
    by_session = np.zeros((K, S))
    for k in range(S):
        m = int(sets.size[k])
        X = sets.X[:m]
        h = hazards(case[:m, :, None] + effects[None, :, k : k + 1])[..., 0]  # (m, ends)
        pull = 0.5 * _cumulant_trace(h, _leverage(X, spread, k, K, p, S))  # (m, ends)
        if sets.at_risk is not None:
            pull *= sets.at_risk[:m, k, None]
        by_end += pull.T @ X
        by_session[:, k] = pull.sum(axis=0)
    return np.concatenate([by_end.ravel(), by_session.ravel()])


def _leverage(X: FloatArray, spread: FloatArray, k: int, K: int, p: int, S: int) -> FloatArray:
    """Covariance of the linear predictors of each case at session k, shape (cases, ends, ends)."""
    out = np.empty((len(X), K, K))
    for j in range(K):
        for l in range(K):
            rows, columns = slice(j * p, (j + 1) * p), slice(l * p, (l + 1) * p)
            at, bt = K * p + j * S + k, K * p + l * S + k
            out[:, j, l] = (
                ((X @ spread[rows, columns]) * X).sum(axis=1)
                + X @ spread[rows, bt]
                + X @ spread[at, columns]
                + spread[at, bt]
            )
    return out


def _cumulant_trace(h: FloatArray, leverage: FloatArray) -> FloatArray:
    """Third cumulants of the multinomial contracted with the leverages, shape (cases, ends).

    kappa_jlm = d_jl d_lm h_j - d_jl h_j h_m - d_jm h_j h_l - d_lm h_l h_j + 2 h_j h_l h_m.
    """
    diagonal = np.einsum("ijj->ij", leverage)
    own = (diagonal * h).sum(axis=1, keepdims=True)
    crossed = np.einsum("ijl,il->ij", leverage, h)  # symmetric leverages
    whole = (crossed * h).sum(axis=1, keepdims=True)
    return np.asarray(diagonal * h - own * h - 2.0 * h * crossed + 2.0 * whole * h)
