"""What a definition's priors say on the scale that matters, and what cases make of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat.coding import Coding
from retreat.definitions import Definition, read_definition
from retreat.elicitation.answers import questions_for
from retreat.elicitation.before_and_after import as_fitted, looked_at, sessions_apart, top_log_prior
from retreat.elicitation.effective import effective_cases
from retreat.elicitation.eyes import SHOWN, Eye
from retreat.elicitation.implied import HORIZON, Implied, implied
from retreat.elicitation.prior_lines import PriorLine, prior_lines
from retreat.elicitation.sensitivity import CONFLICT, Sensitivity, power_scaling
from retreat.errors import Fault, FitError
from retreat.fitting.groups import has_operator_effect, has_patient_effect
from retreat.fitting.prior_draws import prior_draws, refuse_without_priors, stated_coding
from retreat.model.card import INVENTED
from retreat.model.kernel import Parameters
from retreat.model.request import check_usable

if TYPE_CHECKING:
    import pandas as pd

    from retreat.fitting.design import Design
    from retreat.fitting.posterior import Posterior
    from retreat.model import Model

FloatArray = NDArray[np.float64]

_LEVEL = 0.9
_DRAWS = 4000


@dataclass(frozen=True)
class PriorReport:
    """The priors of a definition, what they imply, and what cases make of it.

    Parameters
    ----------
    definition : Definition
        Whose priors.
    lines : tuple of PriorLine
        Each prior in odds terms.
    eyes : tuple of Eye
        The eyes it is shown on.
    prior : Implied
        What the priors imply for an operator not seen.
    posterior : Implied or None
        The same after cases, or from a fitted model.
    learned_from : str
        What the posterior was learned from, in words; empty without.
    effective : ndarray of float, shape (eyes,)
        How many eyes like this, seen once, the priors together are worth for the share ended first by session 1.
    sensitivities : tuple of Sensitivity
        Of the quantities of each eye, then of the coefficients; empty without cases.
    failures : tuple of str
        Why there is no posterior, if the fit failed its own checks.
    cautions : tuple of str
        What must be read first.
    notes : tuple of str
        What the reader should know.
    level : float
        Coverage of the ranges.
    """

    definition: Definition
    lines: tuple[PriorLine, ...]
    eyes: tuple[Eye, ...]
    prior: Implied
    posterior: Implied | None
    learned_from: str
    effective: FloatArray
    sensitivities: tuple[Sensitivity, ...]
    failures: tuple[str, ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...]
    level: float = _LEVEL

    @property
    def conflicts(self) -> tuple[Sensitivity, ...]:
        """Where prior and cases pull apart."""
        return tuple(one for one in self.sensitivities if one.diagnosis == CONFLICT)

    def to_json(self) -> dict[str, Any]:
        """Every number, for a program to read."""
        return {
            "definition": self.definition.name,
            "definition_fingerprint": self.definition.fingerprint,
            "cautions": list(self.cautions),
            "failures": list(self.failures),
            "notes": list(self.notes),
            "level": self.level,
            "priors": [
                {
                    "subject": line.subject,
                    "comparison": line.comparison,
                    "end": line.end,
                    "odds": {"middle": line.middle, "low": line.low, "high": line.high, "level": 0.95},
                    "why": line.why,
                }
                for line in self.lines
            ],
            "prior": self.prior.to_json(self.level),
            "effective_cases": self.effective.tolist(),
            "posterior": None if self.posterior is None else self.posterior.to_json(self.level),
            "learned_from": self.learned_from,
            "sensitivity": [
                {
                    "what": one.what,
                    "quantity": one.quantity,
                    "prior": one.prior if np.isfinite(one.prior) else None,
                    "likelihood": one.likelihood if np.isfinite(one.likelihood) else None,
                    "surprise": one.surprise,
                    "diagnosis": one.diagnosis,
                }
                for one in self.sensitivities
            ],
        }


def prior_report(
    definition: Definition | str | Path = "core",
    *,
    cases: pd.DataFrame | None = None,
    model: Model | None = None,
    seed: int,
    draws: int = _DRAWS,
) -> PriorReport:
    """Look at the priors of a definition, alone, beside a fitted model, or beside the posterior of cases.

    Parameters
    ----------
    definition : Definition, str or Path
        Whose priors.
    cases : DataFrame, optional
        Cases to fit the definition to, by the Bayesian route; gives the sensitivities too.
    model : Model, optional
        A model fitted to this definition before, instead of cases.
    seed : int
        Seed of the draws.
    draws : int, at least 1
        Draws from the priors.

    Raises
    ------
    FitError
        If the definition has no priors, both cases and a model are given, the model is of another definition
        or failed its checks, or the cases cannot be fitted.
    TableError, DefinitionError
        If the table or the definition is refused.
    """
    chosen = read_definition(definition)
    refuse_without_priors(chosen)
    if cases is not None and model is not None:
        raise FitError(Fault("cases", "given together with a fitted model", "one of the two", "drop one"))
    if model is not None:
        return _of_model(chosen, model, seed=seed, draws=draws)
    if cases is not None:
        from retreat.fitting.bayes import fit_posterior  # heavy: only cases need the sampler
        from retreat.fitting.design import design

        table = design(cases, chosen)
        return report_of(chosen, table, fit_posterior(table, seed=seed), seed=seed, draws=draws)
    coding = stated_coding(chosen)
    knots = tuple(
        f"{term.label}: without cases the knots of its spline are placed as if values lay evenly from "
        f"{term.centre - 2 * term.scale:g} to {term.centre + 2 * term.scale:g}"
        for term in chosen.terms
        if term.form == "spline"
    )
    return _report(chosen, coding, chosen, sessions=HORIZON, seed=seed, draws=draws, notes=knots)


def report_of(
    definition: Definition, design: Design, posterior: Posterior, *, seed: int, draws: int = _DRAWS
) -> PriorReport:
    """The report beside a posterior of this definition.

    Parameters
    ----------
    definition : Definition
        Whose priors.
    design : Design
        The cases it was fitted to.
    posterior : Posterior
        Of these cases.
    seed, draws
        As for :func:`prior_report`.
    """
    held = as_fitted(definition, operators=has_operator_effect(design), patients=has_patient_effect(design))
    found = _report(definition, design.coding, held, sessions=sessions_apart(design), seed=seed, draws=draws)
    cautions = (INVENTED,) if design.invented else ()
    notes = (*design.notes, *posterior.notes, *found.notes)
    if posterior.failures:
        return replace(found, failures=posterior.failures, cautions=cautions, notes=notes)
    after = implied(SHOWN, definition, design.coding, posterior.parameters(seed=seed))
    groups = looked_at(held, posterior, seed=seed, draws=draws)
    return replace(
        found,
        posterior=after,
        learned_from=f"{len(design.sessions)} cases of {design.n_patients} patients",
        sensitivities=power_scaling(
            top_log_prior(held, posterior),
            posterior.patient_log_likelihood(),
            groups,
            n_chains=posterior.n_chains,
        ),
        cautions=cautions,
        notes=notes,
    )


def _of_model(definition: Definition, model: Model, *, seed: int, draws: int) -> PriorReport:
    check_usable(model.card)
    if model.card.definition_fingerprint != definition.fingerprint:
        what = f"{model.card.name} was fitted to another definition than {definition.name}, or another version of it"
        fix = "name the definition it was fitted to by --model, or fit it again"
        raise FitError(Fault("fitted", what, f"a model of {definition.name}", fix))
    parameters = model.parameters
    held = as_fitted(
        definition,
        operators=bool(parameters.operator_effect.any()),
        patients=bool(parameters.patient_loading.any()),
    )
    found = _report(definition, model.coding, held, sessions=parameters.max_session, seed=seed, draws=draws)
    return replace(
        found,
        posterior=implied(SHOWN, definition, model.coding, parameters),
        learned_from=f"{model.card.n_cases} cases of {model.card.n_patients} patients ({model.card.method})",
        cautions=model.card.cautions,
        notes=(*model.card.notes, *found.notes),
    )


def _report(
    definition: Definition,
    coding: Coding,
    held: Definition,
    *,
    sessions: int,
    seed: int,
    draws: int,
    notes: tuple[str, ...] = (),
) -> PriorReport:
    parameters = prior_draws(held, coding, draws=draws, sessions=sessions, seed=seed)
    return PriorReport(
        definition=definition,
        lines=prior_lines(definition),
        eyes=SHOWN,
        prior=implied(SHOWN, definition, coding, parameters),
        posterior=None,
        learned_from="",
        effective=_effective(definition, coding, parameters),
        sensitivities=(),
        failures=(),
        cautions=(),
        notes=(*notes, *_study_notes(definition)),
    )


def _study_notes(definition: Definition) -> tuple[str, ...]:
    if not definition.studies:
        return ()
    return (
        f"{len(definition.studies)} published results enter this definition as studies: they are not part of its "
        "priors, and not of what these imply here",
    )


def _effective(definition: Definition, coding: Coding, parameters: Parameters) -> FloatArray:
    """What the priors are worth in eyes, from the spread of the log odds for a usual operator and patient."""
    zeros = np.zeros_like(parameters.operator_effect)
    usual = replace(parameters, operator_effect=zeros, patient_loading=zeros)
    first = questions_for(definition)[0].column
    told = implied(SHOWN, definition, coding, usual)
    log_odds = told.on_a_line()[..., told.quantities.index(first)]  # (draws, eyes)
    middle = 1.0 / (1.0 + np.exp(-log_odds.mean(axis=0)))
    return effective_cases(middle, log_odds.var(axis=0))
