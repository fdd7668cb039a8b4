"""The posterior of one clinic as the prior of another: its cases discounted, its level free to differ."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from retreat.definitions import Definition
from retreat.definitions.entries import PatientSpread
from retreat.errors import Fault, FitError
from retreat.fitting.bayes import posterior_model, with_notes
from retreat.fitting.design import Design
from retreat.fitting.groups import has_operator_effect
from retreat.fitting.nested.courses import Courses, lay_out
from retreat.fitting.nested.fit import NotUsableError, fit_nested, obstacle
from retreat.fitting.nested.prior import Prior
from retreat.fitting.nested.spreads import Spreads
from retreat.fitting.prior_draws import prior_draws
from retreat.model import Model
from retreat.model.kernel import Parameters

FloatArray = NDArray[np.float64]

# a case of another practice counts half, unless told otherwise [our judgement]
DISCOUNT = 0.5
# Practices differ in the level of relief by 1 to 1.5 logits (values.md, "What the evidence can and cannot anchor",
# point 2, our judgement there); the lower end, since a definition and a vocabulary are shared
BETWEEN_PRACTICES = 1.0
PUBLISHED = "published"
STARTED = "These numbers start from published averages of other clinics and were updated with {n} eyes treated here."
_STARTED_WORDS = STARTED.split("{n}")[0]
# added to variances, so that effects which move as one have a density
_LEAST_VARIANCE = 1e-6
# draws from the definition's prior, whose share is taken out of a posterior before it is discounted
_PRIOR_DRAWS = 20_000
# cases of its own from which a practice's mix and support stand in the model, like the gate of a first fit; one that
# takes over another clinic's model keeps those of the clinic for longer
_OWN_SUPPORT, _OWN_SUPPORT_OF_ANOTHER = 20, 100


def update_bayes(model: Model, design: Design, *, discount: float | None, seed: int) -> Model:
    """Model of a practice's cases with another model's posterior as the prior.

    Coefficients and session effects of the model are taken as jointly normal. Of what they hold beyond the
    definition's own prior the discounted share is kept (power prior, Ibrahim and Chen 2000, from memory); the level of
    each end may differ between practices by a standard deviation of one logit, or as published averages say.
    Operators have the definition's prior, the patient factor the size it has in the model. Sessions that no case of
    the practice reached keep what the model says of them, given what was learned of the others.

    Parameters
    ----------
    model : Model
        By a Bayesian fit, or from published averages.
    design : Design
        Cases of the practice in the coding of the model.
    discount : float in (0, 1], optional
        What a case of the model counts; default 1 where the model started from published averages (it has been this
        practice's own since), else a half (our judgement).
    seed : int
        Seed of everything random.

    Raises
    ------
    FitError
        If the definition asks for what the fast posterior does not know, or its checks are not passed.
    """
    if why := obstacle(design):
        raise FitError(
            Fault("definition", f"it has {why}", "a definition that can be updated", "fit it anew")
        )
    from_published = _from_published(model)
    share = discount if discount is not None else 1.0 if from_published else DISCOUNT
    design = replace(design, definition=_of_every_session(design.definition, model.parameters))
    courses = lay_out(design)
    carried = carry_over(model, design, max(model.parameters.max_session, len(courses.own)), share)
    try:
        posterior = fit_nested(design, seed=seed, prior=carried.prior(design, courses))
    except NotUsableError as error:
        what = f"the updated posterior did not pass its checks ({error})"
        raise FitError(Fault("cases", what, fix="fit the practice's own cases: retreat fit")) from None
    note = f"updated from model {model.model_id}" + (
        "" if from_published else f": each of its {model.card.n_cases} cases counts {share:g}"
    )
    posterior = with_notes(posterior)
    fitted = posterior_model(replace(posterior, notes=(note, *posterior.notes)), seed=seed)
    parameters = fitted.parameters
    effects = carried.later(parameters, rng=np.random.default_rng([seed, 1]))
    operator = parameters.operator_effect
    if not operator.any() and not model.card.method.startswith(PUBLISHED):
        # of one operator's cases nothing is learned of others: what the model knew stays
        known_draws = np.linspace(0, model.parameters.n_draws - 1, len(operator)).astype(int)
        operator = model.parameters.operator_effect[known_draws]
    card = replace(
        fitted.card,
        method="Bayesian hazard, updated",
        basis=_basis(model, fitted.card.n_cases),
        supported_session=max(fitted.card.supported_session, model.card.supported_session),
    )
    few = _OWN_SUPPORT if from_published else _OWN_SUPPORT_OF_ANOTHER
    known = model if fitted.card.n_cases < few else fitted
    return replace(
        fitted,
        card=card,
        parameters=replace(parameters, session_effects=effects[:, None], operator_effect=operator),
        case_mix=known.case_mix,
        support=known.support,
    )


@dataclass(frozen=True)
class CarriedOver:
    """What a practice takes over: a joint normal of coefficients and effects of all sessions, and the spreads.

    Parameters
    ----------
    mean, covariance : ndarray, shape (ends * (columns + sessions),) and its square
        Coefficients end by end, then session effects end by end.
    n_ends, n_columns, n_sessions : int
        Sizes.
    spreads : Spreads
        Priors of the spreads.
    """

    mean: FloatArray
    covariance: FloatArray
    n_ends: int
    n_columns: int
    n_sessions: int
    spreads: Spreads

    def prior(self, design: Design, courses: Courses) -> Prior:
        """Prior for a fit of the sessions the practice reached, with a column an operator where operators enter."""
        K, p, E = self.n_ends, self.n_columns, courses.n_effects
        O = courses.n_operators if has_operator_effect(design) else 0
        width, size = p + O, K * (p + O + E)
        kept = self._kept(E)
        own = np.concatenate([*(j * width + np.arange(p) for j in range(K)), K * width + np.arange(K * E)])
        own = own.astype(np.intp)
        mean, precision, operator = np.zeros(size), np.zeros((size, size)), np.zeros((K, size, size))
        mean[own] = self.mean[kept]
        precision[np.ix_(own, own)] = np.linalg.inv(self.covariance[np.ix_(kept, kept)])
        for j in range(K):
            one_each = j * width + p + np.arange(O)
            operator[j, one_each, one_each] = 1.0
        return Prior(mean, precision, np.zeros((K, size, size)), operator, 0, O, self.spreads)

    def later(self, parameters: Parameters, *, rng: np.random.Generator) -> FloatArray:
        """Effects of all sessions: those of a fit, and later ones given them, shape (draws, ends, sessions)."""
        effects = parameters.session_effects[:, 0]
        E = effects.shape[-1]
        if self.n_sessions <= E:
            return effects
        draws, kept = len(effects), self._kept(E)
        rest = np.setdiff1d(np.arange(len(self.mean)), kept)
        known = np.concatenate(
            [parameters.coefficients.reshape(draws, -1), effects.reshape(draws, -1)], axis=1
        )
        C = self.covariance
        weight = np.linalg.solve(C[np.ix_(kept, kept)], C[np.ix_(kept, rest)])
        spread = C[np.ix_(rest, rest)] - C[np.ix_(rest, kept)] @ weight
        root = np.linalg.cholesky(spread + _LEAST_VARIANCE * np.eye(len(rest)))
        mean = self.mean[rest] + (known - self.mean[kept]) @ weight
        later = mean + rng.standard_normal((draws, len(rest))) @ root.T
        return np.concatenate([effects, later.reshape(draws, self.n_ends, -1)], axis=2)

    def _kept(self, n_effects: int) -> NDArray[np.intp]:
        before = self.n_ends * self.n_columns
        reached = (before + j * self.n_sessions + np.arange(n_effects) for j in range(self.n_ends))
        return np.concatenate([np.arange(before), *reached]).astype(np.intp)


def carry_over(model: Model, design: Design, sessions: int, discount: float) -> CarriedOver:
    """What a practice takes over from a model.

    Parameters
    ----------
    model : Model
        Whose draws they are.
    design : Design
        The practice's cases, in the model's coding.
    sessions : int
        Sessions with an effect of their own; beyond the model's, an effect steps on from the one before.
    discount : float in (0, 1]
        What a case of the model counts.
    """
    parameters, K = model.parameters, model.parameters.n_ends
    p = parameters.coefficients.shape[-1]
    step = design.definition.sessions.step
    effects = _stepped_on(parameters, sessions, step.sd if step is not None else 1.0, model.card.seed)
    mean, covariance = _moments(parameters.coefficients, effects)
    if discount < 1.0:
        mean, covariance = _discounted(mean, covariance, design, model, sessions, discount)
    if not (
        _from_published(model) and model.card.n_cases
    ):  # since its first cases the model is this practice's own
        for j in range(K):
            level = np.zeros(len(mean))
            level[K * p + j * sessions :][:sessions] = 1.0
            own = parameters.operator_effect[:, j].var() if model.card.method.startswith(PUBLISHED) else 0.0
            covariance = covariance + np.outer(level, level) * (own or BETWEEN_PRACTICES**2)
    return CarriedOver(mean, covariance, K, p, sessions, _spreads(parameters, design, discount))


def _stepped_on(parameters: Parameters, sessions: int, step_sd: float, seed: int) -> FloatArray:
    """Session effects to a session; where the model only carries its last one on, each steps from the one before."""
    effects = parameters.sessions_to(sessions)[:, 0].copy()
    moved = np.ptp(np.diff(effects, axis=-1), axis=(0, 1)) > 0
    rng = np.random.default_rng(seed)
    for k in np.flatnonzero(~moved) + 1:
        step = rng.normal(0.0, step_sd, effects.shape[:2])
        effects[:, :, k:] += step[:, :, None]
    return effects


def _moments(coefficients: FloatArray, effects: FloatArray) -> tuple[FloatArray, FloatArray]:
    draws = len(coefficients)
    flat = np.concatenate([coefficients.reshape(draws, -1), effects.reshape(draws, -1)], axis=1)
    covariance = np.atleast_2d(np.cov(flat, rowvar=False))
    return flat.mean(axis=0), covariance + _LEAST_VARIANCE * np.eye(len(covariance))


def _discounted(
    mean: FloatArray, covariance: FloatArray, design: Design, model: Model, sessions: int, discount: float
) -> tuple[FloatArray, FloatArray]:
    """The normal with the share of the cases in it discounted, the definition's prior as it was."""
    drawn = prior_draws(
        design.definition, model.coding, draws=_PRIOR_DRAWS, sessions=sessions, seed=model.card.seed
    )
    prior_mean, prior_covariance = _moments(drawn.coefficients, drawn.session_effects[:, 0])
    root = np.linalg.cholesky(prior_covariance)
    inverse = np.linalg.inv(root)
    # in units of the prior, in which its precision is 1: what the cases add is never less than nothing
    values, vectors = np.linalg.eigh(inverse @ covariance @ inverse.T)
    added = np.maximum(1.0 / values - 1.0, 0.0)
    away = vectors.T @ inverse @ (mean - prior_mean)
    # cases that add `added` and led to `away` stand at away * (1 + added) / added; discounted, they lead to
    kept = discount * (1.0 + added) / (1.0 + discount * added)
    back = root @ vectors
    return prior_mean + back @ (kept * away), (back / (1.0 + discount * added)) @ back.T


def _spreads(parameters: Parameters, design: Design, discount: float) -> Spreads:
    groups = design.definition.groups
    loading = parameters.patient_loading
    patient = float(np.sqrt((loading**2).mean())) if loading.any() else None
    never = None
    if parameters.never.any():  # a beta of the same mean, and of the variance that discounted patients leave
        mean, variance = float(parameters.never.mean()), float(parameters.never.var()) / discount
        patients = max(mean * (1 - mean) / max(variance, 1e-12) - 1.0, 1.0)
        never = (mean * patients, (1 - mean) * patients)
    operator = groups.operator.sd if has_operator_effect(design) and groups.operator is not None else None
    return Spreads(design.n_ends, step=None, operator=operator, patient=patient, never=never)


def _of_every_session(definition: Definition, parameters: Parameters) -> Definition:
    """The definition with an effect at every session, since there is a prior, and the model's own groups."""
    groups = definition.groups
    patient = groups.patient
    if not parameters.patient_loading.any():
        patient = None
    elif patient is not None:
        patient = PatientSpread(sd=patient.sd, why=patient.why, learned_from="courses")
    return replace(
        definition,
        sessions=definition.sessions.model_copy(update={"pool_below": 0}),
        groups=groups.model_copy(update={"patient": patient}),
    )


def _from_published(model: Model) -> bool:
    """Whether the model is of published averages, or such a one updated since."""
    return model.card.method.startswith(PUBLISHED) or any(
        line.startswith(_STARTED_WORDS) for line in model.card.basis
    )


def _basis(model: Model, n_cases: int) -> tuple[str, ...]:
    basis = model.card.basis
    if not basis or not _from_published(model):
        return basis
    n = n_cases + model.card.n_cases + sum(one.n_cases for one in model.card.lineage)
    return (STARTED.format(n=n), *basis[1:])
