"""A prior and the posterior it became, put side by side: like beside like, on scales where both are about normal."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from retreat.definitions import Definition
from retreat.elicitation.eyes import SHOWN
from retreat.elicitation.implied import implied
from retreat.elicitation.sensitivity import Quantities
from retreat.fitting.design import Design
from retreat.fitting.groups import has_operator_effect
from retreat.fitting.layout import pooled_sessions
from retreat.fitting.prior_draws import prior_draws
from retreat.model.kernel import Parameters

if TYPE_CHECKING:
    from retreat.fitting.posterior import Posterior

FloatArray = NDArray[np.float64]

FIRST_SESSION = "first session"
OPERATORS, STEPS = "spread of operators", "spread of steps between sessions"


def as_fitted(definition: Definition, *, operators: bool, patients: bool) -> Definition:
    """The definition without the groups that these cases cannot tell of, so that like is held beside like."""
    groups = definition.groups
    return replace(
        definition,
        groups=groups.model_copy(
            update={
                "operator": groups.operator if operators else None,
                "patient": groups.patient if patients else None,
            }
        ),
    )


def sessions_apart(design: Design) -> int:
    """How many sessions have an effect of their own in a fit of these cases."""
    reached = range(1, int(design.sessions.max()) + 1)
    at_risk = np.array([(design.sessions >= k).sum() for k in reached], dtype=float)
    return int(pooled_sessions(at_risk, design.definition.sessions.pool_below).max()) + 1


def looked_at(held: Definition, posterior: Posterior, *, seed: int, draws: int) -> dict[str, Quantities]:
    """What is looked at before and after the cases: eyes, first session, coefficients, spreads.

    The eyes are those of the operators of these cases taken together: what the cases tell most directly. A usual
    operator would hide that the cases push all operators one way, and an unseen one only blurs.

    Parameters
    ----------
    held : Definition
        From :func:`as_fitted`.
    posterior : Posterior
        After the cases.
    seed : int
        Seed of the draws from the priors.
    draws : int
        How many.
    """
    design = posterior.design
    coding, ends = design.coding, held.ends
    before = prior_draws(held, coding, draws=draws, sessions=sessions_apart(design), seed=seed)
    together = np.zeros(posterior.coefficients.shape[:2])
    if has_operator_effect(design):
        # the mean of so many independent operators
        before = replace(before, operator_effect=before.operator_effect / np.sqrt(design.n_operators))
        together = posterior.operator_effect.mean(axis=-1)
    after = Parameters(
        coefficients=posterior.coefficients,
        session_effects=posterior.session_effects[:, None],
        operator_effect=together,
        patient_loading=posterior.patient_loading,
        never=posterior.never,
    )
    told = [implied(SHOWN, held, coding, one) for one in (before, after)]
    groups = {
        "eyes": Quantities(told[0].eyes, told[0].quantities, told[0].on_a_line(), told[1].on_a_line()),
        "sessions": Quantities(
            (FIRST_SESSION,), ends, before.session_effects[..., 0], posterior.session_effects[:, None, :, 0]
        ),
    }
    if coding.names:
        groups["coefficients"] = Quantities(
            coding.names,
            ends,
            np.swapaxes(before.coefficients, 1, 2),
            np.swapaxes(posterior.coefficients, 1, 2),
        )
    rng = np.random.default_rng([seed, 1])
    for name, label, scale, spread in _spreads(held, posterior):
        halves = scale * np.abs(rng.standard_normal((draws, 1, len(ends))))
        groups[name] = Quantities((label,), ends, np.log(halves), np.log(spread[:, None, :]))
    return groups


def top_log_prior(held: Definition, posterior: Posterior) -> FloatArray:
    """Log density of what a definition states at each draw, up to a constant, shape (draws,).

    Coefficients, first session, spreads, loadings and share; not the steps and operators given their spreads
    (Kallioinen and others 2024 scale the top of a hierarchy alone).
    """
    mean, sd = held.coefficient_priors(posterior.design.coding)
    first_mean, first_sd = held.first_session_priors()
    out = -0.5 * (((posterior.coefficients - mean) / sd) ** 2).sum(axis=(1, 2))
    effects = posterior.session_effects
    stated = effects if held.sessions.effect == "free" else effects[..., :1]
    out -= 0.5 * (((stated - first_mean[:, None]) / first_sd[:, None]) ** 2).sum(axis=(1, 2))
    for _, _, scale, spread in _spreads(held, posterior):
        out -= 0.5 * ((spread / scale) ** 2).sum(axis=1)
    groups = held.groups
    if groups.patient is not None:
        out -= 0.5 * ((posterior.patient_loading / groups.patient.sd) ** 2).sum(axis=1)
    if groups.never is not None:
        a, b = groups.never.mean * groups.never.patients, (1.0 - groups.never.mean) * groups.never.patients
        out += (a - 1.0) * np.log(posterior.never) + (b - 1.0) * np.log1p(-posterior.never)
    return np.asarray(out)


def _spreads(held: Definition, posterior: Posterior) -> list[tuple[str, str, float, FloatArray]]:
    """Name, label, scale of the half-normal prior and draws (draws, ends) of each spread that is learned."""
    found = []
    step, operator = held.sessions.step, held.groups.operator
    if posterior.step_sd.shape[1] and step is not None:
        found.append(("steps", STEPS, step.sd, posterior.step_sd))
    if posterior.operator_sd.shape[1] and operator is not None:
        found.append(("operators", OPERATORS, operator.sd, posterior.operator_sd))
    return found
