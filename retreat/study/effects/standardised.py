"""Incidence averaged over cases, draw by draw: a forecast of every case that keeps nothing of the cases."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.posterior import Posterior

FloatArray = NDArray[np.float64]

# cases worked on at a time: arrays of some hundred draws stay in cache
_BLOCK = 64


def standardised_incidence(
    posterior: Posterior, X: FloatArray, weights: FloatArray, *, horizon: int
) -> FloatArray:
    """Cumulative incidence from before the first session, averaged over cases with their own operators.

    The same numbers as :func:`retreat.model.kernel.pmf` averages over cases, for the logit link alone: with one
    exponential a case, draw and end, sessions and kinds of patient multiply it.

    Parameters
    ----------
    posterior : Posterior
        Draws.
    X : ndarray of float, shape (cases, columns)
        Coded cases, in the order of the posterior's design.
    weights : ndarray of float, shape (draws, cases)
        Weight of each case in each draw, adding to 1 over cases.
    horizon : int
        Largest session.

    Returns
    -------
    ndarray of float, shape (draws, ends, horizon)
    """
    operators = posterior.operator_effect
    effects = posterior.session_effects
    carried = np.minimum(np.arange(horizon), effects.shape[2] - 1)
    odds = np.exp(effects[:, :, carried])  # (draws, ends, horizon)
    kinds = posterior.kinds()
    shares = kinds.shares(posterior.never)  # (draws, kinds)
    moved = np.exp(kinds.node[:, None, None] * posterior.patient_loading)  # (kinds, draws, ends)
    moved[~kinds.responds, :, 0] = 0.0
    ended = np.zeros(odds.shape)
    for start in range(0, len(X), _BLOCK):
        rows = slice(start, start + _BLOCK)
        predictor = np.einsum("np,dkp->kdn", X[rows], posterior.coefficients, optimize=True)
        if operators.shape[2]:
            predictor += operators[:, :, posterior.design.operator[rows]].transpose(1, 0, 2)
        case = np.exp(predictor)  # (ends, draws, cases)
        for kind, share in zip(moved, shares.T, strict=True):
            here = case * kind.T[:, :, None]
            staying = weights[:, rows] * share[:, None]
            for k in range(horizon):
                staying = staying / (1.0 + np.einsum("kdn,dk->dn", here, odds[:, :, k]))
                ended[:, :, k] += np.einsum("dn,kdn->dk", staying, here) * odds[:, :, k]
    return np.asarray(np.cumsum(ended, axis=-1))
