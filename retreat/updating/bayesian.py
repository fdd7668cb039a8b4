"""The posterior of one clinic as the prior of another: normal, widened by a discount and by how practices differ."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.fitting.bayes import posterior_model, with_notes
from retreat.fitting.design import Design
from retreat.fitting.groups import has_never_share, has_operator_effect, has_patient_effect
from retreat.fitting.nested.courses import Courses, lay_out
from retreat.fitting.nested.fit import NotUsableError, fit_nested, obstacle
from retreat.fitting.nested.prior import Prior
from retreat.fitting.nested.spreads import Spreads
from retreat.model import Model
from retreat.model.kernel import Parameters

FloatArray = NDArray[np.float64]

# a case of another practice counts half, unless told otherwise [our judgement]
DISCOUNT = 0.5
# published averages bring how far practices differ with them, and are not discounted again
_PUBLISHED = "published"
_STARTED = "These numbers start from published averages of other clinics and were updated with {n} eyes treated here."
# added to variances, so that effects which move as one have a density
_LEAST_VARIANCE = 1e-6


def update_bayes(model: Model, design: Design, *, discount: float | None, seed: int) -> Model:
    """Model of a practice's cases with another model's posterior as the prior.

    Coefficients and session effects of the model are taken as jointly normal, their covariance divided by the
    discount (power prior, Ibrahim and Chen 2000, from memory); each end's level may differ by as much as operators
    of the model do. Spreads of operators have the definition's prior; loadings of the patient factor have the size
    they have in the model. A discount of 1 takes the model's cases as if they were the practice's own.

    Parameters
    ----------
    model : Model
        By a Bayesian fit, or from published averages.
    design : Design
        Cases of the practice in the coding of the model.
    discount : float in (0, 1], optional
        What a case of the model counts; default 1 for published averages, else a half (our judgement).
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
    published = model.card.method.startswith(_PUBLISHED)
    share = discount if discount is not None else 1.0 if published else DISCOUNT
    try:
        posterior = fit_nested(design, seed=seed, prior=parent_prior(model, design, lay_out(design), share))
    except NotUsableError as error:
        what = f"the updated posterior did not pass its checks ({error})"
        raise FitError(Fault("cases", what, fix="fit the practice's own cases: retreat fit")) from None
    posterior = with_notes(posterior)
    note = f"updated from model {model.model_id}" + (
        "" if published else f": each of its {model.card.n_cases} cases counts {share:g}"
    )
    fitted = posterior_model(replace(posterior, notes=(note, *posterior.notes)), seed=seed)
    basis = model.card.basis
    if published and basis:
        basis = (_STARTED.format(n=fitted.card.n_cases), *basis[1:])
    words = f"Bayesian update of {model.card.method.split(',')[0]}"
    return replace(fitted, card=replace(fitted.card, method=words, basis=basis))


def parent_prior(model: Model, design: Design, courses: Courses, discount: float) -> Prior:
    """Normal prior of a practice's parameters from a model's draws.

    Parameters
    ----------
    model : Model
        Whose draws are the prior.
    design, courses : Design, Courses
        The practice's cases.
    discount : float in (0, 1]
        What a case of the model counts.

    Returns
    -------
    Prior
        Coefficients end by end with one column an operator where operators enter, then session effects.
    """
    parameters = model.parameters
    K, E, p = courses.n_ends, courses.n_effects, courses.X.shape[1]
    O = courses.n_operators if has_operator_effect(design) else 0
    width = p + O
    draws = len(parameters.coefficients)
    sessions, steps = _sessions(parameters, courses)  # (draws, ends, effects), effects that only step on
    flat = np.concatenate([parameters.coefficients.reshape(draws, -1), sessions.reshape(draws, -1)], axis=1)
    covariance = np.atleast_2d(np.cov(flat, rowvar=False)) / discount
    step = design.definition.sessions.step
    for j in range(K):
        effects = K * p + j * E + np.arange(E)
        level = np.isin(np.arange(len(covariance)), effects).astype(float)
        covariance += np.outer(level, level) * parameters.operator_effect[:, j].var()
        for e in np.flatnonzero(steps):  # a step on from the last effect that the model has
            later = np.isin(np.arange(len(covariance)), effects[e:]).astype(float)
            covariance += np.outer(later, later) * (step.sd**2 if step is not None else 1.0)
    covariance[np.diag_indices_from(covariance)] += _LEAST_VARIANCE
    own = np.concatenate(
        [*(j * width + np.arange(p) for j in range(K)), K * width + np.arange(K * E)]
    ).astype(np.intp)
    size = K * (width + E)
    mean, precision, operator = np.zeros(size), np.zeros((size, size)), np.zeros((K, size, size))
    mean[own] = flat.mean(axis=0)
    precision[np.ix_(own, own)] = np.linalg.inv(covariance)
    for j in range(K):
        one_each = j * width + p + np.arange(O)
        operator[j, one_each, one_each] = 1.0
    return Prior(
        mean, precision, np.zeros((K, size, size)), operator, 0, O, _spreads(parameters, design, discount)
    )


def _sessions(parameters: Parameters, courses: Courses) -> tuple[FloatArray, NDArray[np.bool_]]:
    """The model's effects at the sessions of the practice, and which of them the model has none of its own for."""
    effects = parameters.session_effects[:, 0]
    first = np.array([int(np.argmax(courses.own == e)) for e in range(courses.n_effects)])
    there = np.minimum(first, effects.shape[-1] - 1)
    carried = (
        np.ptp(np.diff(effects, axis=-1), axis=(0, 1)) == 0
    )  # the same move in all draws: none of its own
    steps = (first > there) | np.concatenate([[False], carried])[there]
    return effects[:, :, there], steps


def _spreads(parameters: Parameters, design: Design, discount: float) -> Spreads:
    groups = design.definition.groups
    patient = None
    if has_patient_effect(design) and groups.patient is not None:
        loading = parameters.patient_loading
        patient = float(np.sqrt((loading**2).mean())) if loading.any() else groups.patient.sd
    never = None
    if has_never_share(design) and groups.never is not None:
        never = (groups.never.mean * groups.never.patients, (1 - groups.never.mean) * groups.never.patients)
        if parameters.never.any():  # a beta of the same mean and variance
            mean, variance = float(parameters.never.mean()), float(parameters.never.var()) / discount
            patients = max(mean * (1 - mean) / max(variance, 1e-12) - 1.0, 1.0)
            never = (mean * patients, (1 - mean) * patients)
    operator = groups.operator.sd if has_operator_effect(design) and groups.operator is not None else None
    return Spreads(design.n_ends, step=None, operator=operator, patient=patient, never=never)
