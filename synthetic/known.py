"""The law `known`: textbook hazards of two competing ends with stated coefficients, for recovery tests.

For a case in treatment before session k, with covariates x,

    P(ends j at session k) = exp(eta_jk) / (1 + sum_l exp(eta_lk))
    eta_jk = a_j(k) + x'b_j + operator_j + patient_j

for j relieved or stopped. Loss between sessions and the closing of the books do not depend on anything. All
numbers are stated in the scenario file and invented; the covariates are computed from the values as written.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from synthetic.courses import ONGOING, RELIEVED, STOPPED, Courses
from synthetic.patients import Features
from synthetic.scenario import COVARIATES, ENDS, KnownLaw, Scenario
from synthetic.truth import HORIZON

NODES = 21  # points of the Gauss-Hermite rule for each end; exact to 1e-6 for spreads up to 1.5


def covariates(features: Features) -> np.ndarray:
    """Return the covariates of every case in the order of `COVARIATES`, shape (cases, covariates)."""
    surgery = (features.cornea != 0).astype(float)
    deep = features.depth - 0.5
    kinds = [(features.kind == k).astype(float) for k in (1, 2, 3)]
    return np.column_stack([*kinds, np.log(features.size_mm / 2), deep, surgery, surgery * deep])


def linear_predictor(law: KnownLaw, x: np.ndarray, longest: int) -> np.ndarray:
    """Return eta without cluster effects, shape (cases, ends, sessions); the last session effect goes on."""
    session = np.minimum(np.arange(longest), law.sessions.shape[1] - 1)
    return (x @ law.coefficients.T)[:, :, None] + law.sessions[:, session]


def hazards(eta: np.ndarray) -> np.ndarray:
    """Return the chances of the ends from eta, ends on axis 1; stable for any eta."""
    top = np.maximum(eta.max(axis=1, keepdims=True), 0)
    odds = np.exp(eta - top)
    return odds / (np.exp(-top) + odds.sum(axis=1, keepdims=True))


def incidence(hazard: np.ndarray) -> np.ndarray:
    """Return cumulative incidence from hazards, both of shape (cases, ends, sessions)."""
    stays = np.cumprod(1 - hazard.sum(axis=1), axis=1)
    before = np.concatenate([np.ones_like(stays[:, :1]), stays[:, :-1]], axis=1)
    return np.cumsum(hazard * before[:, None], axis=2)


def truth(law: KnownLaw, features: Features, operator_effect: np.ndarray) -> dict[str, np.ndarray]:
    """Return the true cumulative incidence of every case in closed form.

    Patient effects are averaged by the Gauss-Hermite rule; the operator's own effect is kept, and averaged as
    well in the columns ``*_new_operator``.

    Parameters
    ----------
    law : KnownLaw
    features : Features
    operator_effect : array of shape (cases, ends)

    Returns
    -------
    dict
        ``relieved_1`` ... ``stopped_8`` and the same with ``_new_operator``, arrays of shape (cases,).
    """
    eta = linear_predictor(law, covariates(features), HORIZON)
    own = _averaged(eta + operator_effect[:, :, None], law.patient_sd)
    new = _averaged(eta, np.hypot(law.patient_sd, law.operator_sd))
    table: dict[str, np.ndarray] = {}
    for tail, values in (("", own), ("_new_operator", new)):
        for j, end in enumerate(ENDS):
            table |= {f"{end}_{k + 1}{tail}": values[:, j, k] for k in range(HORIZON)}
    return table


def _averaged(eta: np.ndarray, spread: np.ndarray) -> np.ndarray:
    points, weights = np.polynomial.hermite_e.hermegauss(NODES)
    weights = weights / weights.sum()
    rules = [(points * sd, weights) if sd > 0 else (np.zeros(1), np.ones(1)) for sd in spread]
    out = np.zeros_like(eta)
    for a, weight_a in zip(*rules[0], strict=True):
        for b, weight_b in zip(*rules[1], strict=True):
            out += weight_a * weight_b * incidence(hazards(eta + np.array([a, b])[:, None]))
    return out


def courses(
    law: KnownLaw,
    features: Features,
    operator_effect: np.ndarray,
    scenario: Scenario,
    rng: np.random.Generator,
) -> Courses:
    """Return one course for every case; what visits hold beyond sessions is drawn apart from it.

    Parameters
    ----------
    law : KnownLaw
    features : Features
    operator_effect : array of shape (cases, ends)
    scenario : Scenario
    rng : numpy.random.Generator

    Returns
    -------
    Courses
    """
    n, practice = len(features.kind), scenario.values["practice"]
    longest = int(practice["max_sessions"])
    patient_effect = law.patient_sd * rng.normal(size=(n, 2))[features.patient]
    eta = linear_predictor(law, covariates(features), longest)
    hazard = hazards(eta + (operator_effect + patient_effect)[:, :, None])  # (cases, ends, sessions)
    chance = rng.random((n, longest))
    relieved = chance < hazard[:, 0]
    ended = chance < hazard.sum(axis=1)
    lost = rng.random((n, longest)) < law.lost_per_session
    final = ended | lost
    final[:, -1] = True
    last = final.argmax(axis=1)
    rows = np.arange(n)
    ending = np.where(ended[rows, last], np.where(relieved[rows, last], RELIEVED, STOPPED), ONGOING)
    reason = np.where(ending == STOPPED, rng.choice([0, 1, 2, 3], n, p=[0.5, 0.05, 0.15, 0.3]), -1)

    bother = np.round(np.clip(0.75 * features.bother[:, None] + 0.7 * rng.normal(size=(n, longest)), 0, 10))
    falls = np.where(ending == RELIEVED, 0.75, np.where(ending == STOPPED, 0.15, 0.35))
    bother[rows, last] = np.round(np.clip(features.bother * (1 - falls) + 0.7 * rng.normal(size=n), 0, 10))
    energy = np.clip(practice["energy_mj"] * np.exp(0.15 * rng.normal(size=(n, longest))), 2, 9)
    pulses = np.clip(np.round(practice["pulses"] * np.exp(0.4 * rng.normal(size=(n, longest)))), 10, 900)
    nothing = np.full((n, longest), np.nan)
    event = np.where((reason[:, None] == 1) & (np.arange(longest) == last[:, None]), 3, 0)
    return Courses(
        last + 1, ending, reason, pulses, energy, nothing, np.full((n, longest), -1), bother, event
    )


def stated(law: KnownLaw) -> dict[str, Any]:
    """Return the coefficients as plain numbers by name."""
    told: dict[str, Any] = {"lost_per_session": law.lost_per_session}
    for j, end in enumerate(ENDS):
        told[end] = {
            "sessions": law.sessions[j].tolist(),
            **dict(zip(COVARIATES, law.coefficients[j].tolist(), strict=True)),
            "operator_sd": float(law.operator_sd[j]),
            "patient_sd": float(law.patient_sd[j]),
        }
    return told
