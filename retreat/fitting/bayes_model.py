"""The hazard of a definition as a PyMC model: one linear predictor a case, gathered to the sessions it reached."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.design import Design
from retreat.fitting.layout import pooled_sessions

if TYPE_CHECKING:
    import pymc as pm

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Sufficient:
    """What the likelihood needs of the courses.

    Parameters
    ----------
    case, session : ndarray of int, shape (rows,)
        Each case at risk under each session effect.
    count : ndarray of float, shape (rows,)
        How often (more than once only under a pooled effect).
    ended : ndarray of float, shape (cases, ends)
        1 where a case ended in that way.
    events : ndarray of float, shape (ends, session effects)
        Cases ended in each way under each effect.
    share : ndarray of float, shape (cases,) and (session effects,)
        Share of all rows, to centre the first session's effect.
    """

    case: IntArray
    session: IntArray
    count: FloatArray
    ended: FloatArray
    events: FloatArray
    case_share: FloatArray
    session_share: FloatArray


def sufficient(design: Design) -> Sufficient:
    """Counts of the likelihood, sessions pooled as in the logistic route."""
    n_sessions = int(design.sessions.max())
    at_risk = np.array([(design.sessions >= k).sum() for k in range(1, n_sessions + 1)], dtype=float)
    own = pooled_sessions(at_risk, design.definition.sessions.pool_below)  # (sessions,)
    case = np.repeat(np.arange(len(design.sessions)), design.sessions)
    session = own[np.concatenate([np.arange(s) for s in design.sessions])]
    rows, count = np.unique(np.stack([session, case], axis=1), axis=0, return_counts=True)
    events = np.zeros((design.n_ends, int(own.max()) + 1))
    over = design.ending > 0
    np.add.at(events, (design.ending[over] - 1, own[design.sessions[over] - 1]), 1.0)
    return Sufficient(
        case=rows[:, 1],
        session=rows[:, 0],
        count=count.astype(float),
        ended=(design.ending[:, None] == np.arange(1, design.n_ends + 1)).astype(float),
        events=events,
        case_share=design.sessions / design.sessions.sum(),
        session_share=np.bincount(session, minlength=events.shape[1]) / len(case),
    )


def has_patient_effect(design: Design) -> bool:
    """Whether some patient has two cases and the definition says how alike they may be."""
    return design.definition.groups.patient is not None and design.n_patients < len(design.sessions)


def has_operator_effect(design: Design) -> bool:
    """Whether there are two operators and the definition says how alike they may be."""
    return design.definition.groups.operator is not None and design.n_operators > 1


def build(design: Design, *, prior_scale: float = 1.0) -> pm.Model:
    """PyMC model of a design.

    Coefficients are normal as the definition says; each end's session effects are a random walk with a
    half-normal step; operators and patients are normal with half-normal spread, all non-centred. The
    sampler moves the level of an end at the average row instead of the first session's effect, which alone
    would be tied to every other parameter; the prior stays on the first session's effect.

    Parameters
    ----------
    design : Design
        Cases and definition.
    prior_scale : float, above 0
        Multiplies the standard deviations of coefficients and first session (large: nearly flat).
    """
    import pymc as pm  # heavy: only a Bayesian fit pays for it
    import pytensor.tensor as pt

    data = sufficient(design)
    K, n_own = data.events.shape
    mean, sd = design.definition.coefficient_priors(design.coding)
    first_mean, first_sd = design.definition.first_session_priors()
    with pm.Model() as model:
        case: Any = 0.0
        shift: Any = 0.0
        if design.X.shape[1]:
            coefficients = pm.Normal("coefficients", mean, sd * prior_scale, shape=mean.shape)
            case = pt.dot(design.X, coefficients.T)  # (cases, ends)
            shift = pt.dot(coefficients, data.case_share @ design.X)
        groups = design.definition.groups
        if has_operator_effect(design) and groups.operator is not None:
            effect = _group(pm, pt, "operator", groups.operator.sd, K, design.n_operators)
            case = case + effect.T[design.operator]
            shift = shift + pt.dot(effect, np.bincount(design.operator, data.case_share))
        if has_patient_effect(design) and groups.patient is not None:
            effect = _group(pm, pt, "patient", groups.patient.sd, K, design.n_patients)
            case = case + effect.T[design.patient]
            shift = shift + pt.dot(effect, np.bincount(design.patient, data.case_share))
        walk = _walk(pm, pt, design, K, n_own)
        shift = shift + pt.dot(walk, data.session_share)
        level = pm.Normal("level", first_mean + shift, first_sd * prior_scale, shape=K)
        sessions = pm.Deterministic("session_effects", (level - shift)[:, None] + walk)  # (ends, effects)
        case = case + pt.zeros((len(design.sessions), K))
        seen = (case * data.ended).sum() + (sessions * data.events).sum()
        # log(1 + sum of odds), odds of a row the product of one exponential a case and one a session
        odds = (pt.exp(case)[data.case] * pt.exp(sessions.T)[data.session]).sum(axis=1)
        pm.Potential("courses", seen - (data.count * pt.log1p(odds)).sum())
    return model


def _walk(pm: Any, pt: Any, design: Design, K: int, n_own: int) -> Any:
    """Session effects minus the first one, shape (ends, session effects)."""
    step = design.definition.sessions.step
    start = pt.zeros((K, 1))
    if n_own == 1 or step is None:
        return pt.zeros((K, n_own))
    # a half-normal step as the size of a normal one: the sampler crosses 0 freely, the walk is the same
    signed = pm.Normal("step_signed", 0.0, step.sd, shape=K)
    pm.Deterministic("step_sd", pt.abs(signed))
    moves = pm.Normal("step", 0.0, 1.0, shape=(K, n_own - 1))
    return pt.concatenate([start, pt.cumsum(moves, axis=1) * signed[:, None]], axis=1)


def _group(pm: Any, pt: Any, name: str, scale: float, K: int, n: int) -> Any:
    """Effects of a group, shape (ends, members), non-centred with a half-normal spread."""
    signed = pm.Normal(f"{name}_signed", 0.0, scale, shape=K)
    pm.Deterministic(f"{name}_sd", pt.abs(signed))
    return pm.Normal(f"{name}_raw", 0.0, 1.0, shape=(K, n)) * signed[:, None]
