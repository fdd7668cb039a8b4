"""Clinics replicated from a posterior: the same cases, operators and follow-up, courses drawn anew."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.checks.follow_up import drawn_follow_up
from retreat.fitting.posterior import Posterior

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# courses drawn at a time: working arrays of some MB
_BLOCK = 400_000
# odds beyond e^300 are certain, and would overflow
_CERTAIN = 300.0


@dataclass(frozen=True)
class Clinics:
    """Courses of the same cases in many clinics.

    Parameters
    ----------
    sessions, ending : ndarray of int, shape (clinics, cases)
        Last sessions; 0 still in treatment when last seen, 1..K the end.
    n_ends : int
        K.
    """

    sessions: IntArray
    ending: IntArray
    n_ends: int

    def __len__(self) -> int:
        """How many clinics."""
        return len(self.sessions)


def replicated(posterior: Posterior, *, clinics: int, seed: int) -> Clinics:
    """Clinics as the posterior says they might have been, each under one draw.

    Cases, operators and which cases share a patient are those fitted; how hard a patient's eyes are, and whether
    they ever respond, is drawn anew for each patient (a mixed check, Gelman, Meng and Stern 1996 [1]_). Censoring is
    replicated as in :func:`~retreat.checks.follow_up.drawn_follow_up`: a case is last seen still in treatment when
    its course goes on past its follow-up.

    Parameters
    ----------
    posterior : Posterior
        Of the cases.
    clinics : int
        How many.
    seed : int
        Of the draws.

    References
    ----------
    .. [1] Gelman A, Meng XL, Stern H. Posterior predictive assessment of model fitness via realized discrepancies.
       Stat Sin 1996;6:733-807 (from memory).
    """
    design = posterior.design
    rng = np.random.default_rng(seed)
    follow_up = drawn_follow_up(design.sessions, design.ending, replicates=clinics, seed=rng)
    draw = np.arange(clinics) * posterior.n_draws // clinics
    sessions, ending = follow_up.copy(), np.zeros_like(follow_up)
    size = max(1, _BLOCK // len(design.sessions))
    for start in range(0, clinics, size):
        rows = slice(start, start + size)
        _run(posterior, draw[rows], sessions[rows], ending[rows], rng)
    return Clinics(sessions, ending, design.n_ends)


def _run(
    posterior: Posterior, draw: IntArray, sessions: IntArray, ending: IntArray, rng: np.random.Generator
) -> None:
    """Draw the courses of some clinics into `sessions`, which holds the follow-up, and `ending`."""
    design = posterior.design
    odds = np.exp(_linear(posterior, draw, rng))  # (clinics, cases, ends)
    never = rng.random((len(draw), design.n_patients)) < posterior.never[draw, None]
    odds[..., 0] = np.where(never[:, design.patient], 0.0, odds[..., 0])
    odds = odds.reshape(-1, design.n_ends)
    clinic = np.repeat(np.arange(len(draw)), len(design.sessions))
    follow_up = sessions.reshape(-1).copy()
    last, way = sessions.reshape(-1), ending.reshape(-1)  # views: rows of a contiguous array
    factor = np.exp(posterior.session_effects[draw])  # (clinics, ends, sessions)
    on = np.arange(len(last))
    for k in range(int(follow_up.max())):
        here = odds[on] * factor[clinic[on], :, min(k, factor.shape[2] - 1)]
        chance = np.cumsum(here, axis=1) / (1.0 + here.sum(axis=1, keepdims=True))
        ends = (rng.random(len(on))[:, None] > chance).sum(axis=1)  # 0..K-1, or K for going on
        over = ends < design.n_ends
        last[on[over]], way[on[over]] = k + 1, ends[over] + 1
        on = on[~over & (follow_up[on] > k + 1)]


def _linear(posterior: Posterior, draw: IntArray, rng: np.random.Generator) -> FloatArray:
    """Linear predictor without sessions, patients drawn anew, shape (clinics, cases, ends)."""
    design = posterior.design
    eta = np.einsum("np,rjp->rnj", design.X, posterior.coefficients[draw], optimize=True)
    if posterior.operator_effect.shape[2]:
        eta += posterior.operator_effect[draw][:, :, design.operator].transpose(0, 2, 1)
    hard = rng.standard_normal((len(draw), design.n_patients))[:, design.patient]
    eta += hard[..., None] * posterior.patient_loading[draw][:, None]
    return np.asarray(np.clip(eta, None, _CERTAIN))
