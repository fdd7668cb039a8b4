"""The hazard of a definition as a PyMC model: one linear predictor a case, gathered to the sessions it reached."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.design import Design
from retreat.fitting.groups import has_never_share, has_operator_effect, has_patient_effect
from retreat.fitting.layout import pooled_sessions

if TYPE_CHECKING:
    import pymc as pm

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# log likelihood of what cannot be: low enough to weigh nothing, and finite for the gradient
_NEVER_SO = -1e6


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
    own = pooled_of(design)
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


def build(design: Design, *, prior_scale: float = 1.0) -> pm.Model:
    """PyMC model of a design.

    Coefficients are normal as the definition says. Session effects of an end are a random walk with a
    half-normal step (``smooth``), a line (``linear``) or each on its own (``free``). One standard normal number
    a patient, how hard the eyes are, moves all ends, each by its loading. Operators are normal around 0 with
    half-normal spread, non-centred, and not forced to sum to zero: the session effects then stand for the average of
    all operators there might be, not of those seen, and a forecast for a new one carries that doubt. The sampler moves
    the level of an end at the average row instead of the first session's effect, which alone would be tied to every
    other parameter; the prior stays on the first session's effect.

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
    coords = {
        "end": design.definition.ends,
        "column": design.coding.names,
        "session": range(1, n_own + 1),
        "operator": range(design.n_operators),
        "patient": range(design.n_patients),
    }
    with pm.Model(coords=coords) as model:
        case: list[Any] = [0.0] * K  # for each end the linear predictor (cases,) without the session
        shift: Any = np.zeros(K)  # average over rows of all but the first session's effect
        if design.X.shape[1]:
            coefficients = pm.Normal("coefficients", mean, sd * prior_scale, dims=("end", "column"))
            case = [pt.dot(design.X, coefficients[j]) for j in range(K)]
            shift = pt.dot(coefficients, data.case_share @ design.X)
        groups = design.definition.groups
        effects: list[tuple[IntArray, Any]] = []  # member of each case, effect (ends, members)
        if has_operator_effect(design) and groups.operator is not None:
            effects.append((design.operator, _operators(pm, groups.operator.sd)))
        if has_patient_effect(design) and groups.patient is not None:
            effects.append((design.patient, _patients(pm, pt, groups.patient.sd)))
        for member, effect in effects:
            case = [case[j] + effect[j][member] for j in range(K)]
            shift = shift + pt.dot(effect, np.bincount(member, data.case_share))
        sessions = _session_effects(pm, pt, design, data, shift, prior_scale)  # (ends, session effects)
        predictors = [case[j] + pt.zeros(len(design.sessions)) for j in range(K)]
        # log(1 + sum of odds) with the odds of a row as one exponential a case times one a session: the same
        # number as a softplus of the log-sum-exp in well under half the time (56 against 141 microseconds a
        # gradient at 1,000 cases). It overflows only for a predictor above 709, where the sampler rejects the
        # point as it would reject so small a likelihood.
        odds = [pt.exp(predictors[j])[data.case] * pt.exp(sessions[j])[data.session] for j in range(K)]
        if has_never_share(design):
            _add_mixture(pm, pt, design, data, predictors, sessions, odds)
            return model
        # an end is seen at the session it came, so the ended rows add up to totals
        seen = (sessions * data.events).sum()
        for j in range(K):
            seen = seen + (predictors[j] * data.ended[:, j]).sum()
        pm.Potential("courses", seen - (data.count * pt.log1p(sum(odds))).sum())
    return model


def _add_mixture(
    pm: Any, pt: Any, design: Design, data: Sufficient, predictors: list[Any], sessions: Any, odds: list[Any]
) -> None:
    """Likelihood of patients of whom some never respond: for them the first end cannot happen."""
    never = design.definition.groups.never
    if never is None:
        raise TypeError("the definition has no share that never responds")
    share = pm.Beta("never", never.mean * never.patients, (1.0 - never.mean) * never.patients)
    at_end = pooled_of(design)[design.sessions - 1]
    either: list[Any] = []  # log likelihood of each patient if eyes respond, if they never do
    for first in (0, 1):
        rows = pt.log1p(sum(odds[first:])) * data.count if odds[first:] else pt.zeros(len(data.case))
        case = -pt.zeros(len(design.sessions))[data.case].inc(rows)
        for j in range(first, len(odds)):
            case = case + (predictors[j] + sessions[j][at_end]) * data.ended[:, j]
        if first:
            case = case + np.where(data.ended[:, 0] > 0, _NEVER_SO, 0.0)
        either.append(pt.zeros(design.n_patients)[design.patient].inc(case))
    pm.Potential("courses", pt.logaddexp(pt.log1p(-share) + either[0], pt.log(share) + either[1]).sum())


def pooled_of(design: Design) -> IntArray:
    """Position of the effect each session uses."""
    n_sessions = int(design.sessions.max())
    at_risk = np.array([(design.sessions >= k).sum() for k in range(1, n_sessions + 1)], dtype=float)
    return pooled_sessions(at_risk, design.definition.sessions.pool_below)


def parameters(model: pm.Model) -> list[str]:
    """Names of what a trace keeps and the gates look at; not what merely moves the sampler."""
    hidden = ("_raw", "_signed", "level", "courses")
    return [name for name in model.named_vars if not name.endswith(hidden)]


def _session_effects(
    pm: Any, pt: Any, design: Design, data: Sufficient, shift: Any, prior_scale: float
) -> Any:
    """Session effects, shape (ends, session effects)."""
    K, n_own = data.events.shape
    mean, sd = design.definition.first_session_priors()
    settings = design.definition.sessions
    if settings.effect == "free":
        level = pm.Normal(
            "level", (mean + shift)[:, None], sd[:, None] * prior_scale, dims=("end", "session")
        )
        return pm.Deterministic("session_effects", level - shift[:, None], dims=("end", "session"))
    away: Any = np.zeros((K, n_own))  # from the first session's effect
    if n_own > 1 and settings.step is not None:
        if settings.effect == "linear":
            slope = pm.Normal("slope", 0.0, settings.step.sd, dims="end")
            away = slope[:, None] * np.arange(n_own)
        else:
            step_sd = pm.HalfNormal("step_sd", settings.step.sd, dims="end")
            moves = pm.Normal("step_raw", 0.0, 1.0, shape=(K, n_own - 1))
            walked = pt.cumsum(moves, axis=1) * step_sd[:, None]
            away = pt.concatenate([pt.zeros((K, 1)), walked], axis=1)
        shift = shift + pt.dot(away, data.session_share)
    level = pm.Normal("level", mean + shift, sd * prior_scale, dims="end")
    return pm.Deterministic("session_effects", (level - shift)[:, None] + away, dims=("end", "session"))


def _operators(pm: Any, scale: float) -> Any:
    """Effects of operators, shape (ends, operators), non-centred with a half-normal spread."""
    members = pm.Normal("operator_raw", 0.0, 1.0, dims=("end", "operator"))
    spread = pm.HalfNormal("operator_sd", scale, dims="end")
    return pm.Deterministic("operator_effect", members * spread[:, None], dims=("end", "operator"))


def _patients(pm: Any, pt: Any, scale: float) -> Any:
    """Effects of patients, shape (ends, patients): one number a patient, with a loading an end.

    Turning all signs changes nothing, so chains are compared with the first loading above 0.
    """
    hard = pm.Normal("patient_raw", 0.0, 1.0, dims="patient")
    signed = pm.Normal("loading_signed", 0.0, scale, dims="end")
    pm.Deterministic("patient_loading", pt.where(signed[0] < 0, -1.0, 1.0) * signed, dims="end")
    return pm.Deterministic("patient_effect", signed[:, None] * hard, dims=("end", "patient"))
