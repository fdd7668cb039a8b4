"""Draws from a definition's priors as a model would hold them, and the coding of a definition without cases."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from retreat.coding import Coding, learn
from retreat.definitions import Definition
from retreat.errors import Fault, FitError
from retreat.features import FEATURES
from retreat.model.kernel import Parameters

FloatArray = NDArray[np.float64]

# values that stand in for a clinic's own where a spline needs knots: this many scales either side of its centre
_SCALES_AROUND_CENTRE = 2.0


def stated_coding(definition: Definition) -> Coding:
    """Coding of a definition without cases.

    Centres, scales and levels are the definition's own, so that only the knots of a spline are missing. They are
    placed as if its feature took the values from two scales below to two above its centre evenly, as far as
    they are allowed.

    Parameters
    ----------
    definition : Definition
        What to code.

    Returns
    -------
    Coding

    Examples
    --------
    >>> from retreat.definitions import read_definition
    >>> [round(k, 2) for knots in stated_coding(read_definition("full")).knots for k in knots]
    [-1.6, 0.0, 1.6]
    """
    values: dict[str, FloatArray] = {}
    for term in definition.terms:
        if term.form == "spline":
            feature = FEATURES[term.features[0]]
            low, high = (-np.inf if feature.low is None else feature.low), feature.high
            high = np.inf if high is None else high
            away = _SCALES_AROUND_CENTRE * term.scale
            ends = np.clip([term.centre - away, term.centre + away], low, high)
            if ends[0] == ends[1]:  # a centre outside what is allowed
                ends = np.array([low, high])
            values[term.features[0]] = np.linspace(float(ends[0]), float(ends[1]), 1001)
    return learn(definition.terms, values)


def prior_draws(
    definition: Definition, coding: Coding, *, draws: int, sessions: int, seed: int, prior_scale: float = 1.0
) -> Parameters:
    """Draws of everything a forecast needs, from the priors alone.

    Coefficients are normal as the definition says. The effect of the first session is normal; later ones step
    from it by a random walk whose step has a half-normal spread of scale `sessions.step.sd` (``smooth``), lie on
    a line whose slope is normal of that scale (``linear``), or have the prior of the first each (``free``). The
    operator is one not seen: normal around 0 with a half-normal spread. A patient's loading on the first end is
    half-normal and on the others normal, since the number they load has no sign of its own. The share that never
    responds is beta. This is the prior of the Bayesian fit.

    Parameters
    ----------
    definition : Definition
        Whose priors.
    coding : Coding
        Columns of the coefficients.
    draws : int, at least 1
        How many.
    sessions : int, at least 1
        Sessions with an effect of their own; a forecast carries the last one on.
    seed : int
        Seed of the draws.
    prior_scale : float, above 0
        Multiplies the standard deviations of coefficients and first session.

    Returns
    -------
    retreat.model.kernel.Parameters
        Draws, as a fitted model holds them.

    Raises
    ------
    FitError
        If the definition is a life table, which has no priors.

    Examples
    --------
    >>> from retreat.definitions import read_definition
    >>> core = read_definition("core")
    >>> prior_draws(core, stated_coding(core), draws=5, sessions=3, seed=1).session_effects.shape
    (5, 1, 2, 3)
    """
    refuse_without_priors(definition)
    rng = np.random.default_rng(seed)
    n_ends = len(definition.ends)
    mean, sd = definition.coefficient_priors(coding)
    coefficients = mean + prior_scale * sd * rng.standard_normal((draws, *mean.shape))
    effects = _session_effects(definition, rng, draws, sessions, prior_scale)
    operator, patient = definition.groups.operator, definition.groups.patient
    spread = np.abs(rng.standard_normal((draws, n_ends))) * (operator.sd if operator else 0.0)
    loading = rng.standard_normal((draws, n_ends)) * (patient.sd if patient else 0.0)
    loading[:, 0] = np.abs(loading[:, 0])
    return Parameters(
        coefficients=coefficients,
        session_effects=effects[:, None],
        operator_effect=spread * rng.standard_normal((draws, n_ends)),
        patient_loading=loading,
        never=_never(definition, rng, draws),
    )


def refuse_without_priors(definition: Definition) -> None:
    """Refuse a definition that has no priors.

    Raises
    ------
    FitError
        If it is a life table by strata.
    """
    if definition.strata:
        fix = "choose a definition with terms, such as core"
        raise FitError(
            Fault("model", f"{definition.name} is a life table: it has no priors", "a regression", fix)
        )


def _session_effects(
    definition: Definition, rng: np.random.Generator, draws: int, sessions: int, prior_scale: float
) -> FloatArray:
    """Effects of the sessions, shape (draws, ends, sessions)."""
    mean, sd = definition.first_session_priors()
    sd = prior_scale * sd
    shape = (draws, len(mean), sessions)
    settings = definition.sessions
    if settings.effect == "free":
        return np.asarray(mean[:, None] + sd[:, None] * rng.standard_normal(shape))
    first = mean + sd * rng.standard_normal(shape[:2])
    step = 0.0 if settings.step is None else settings.step.sd
    if settings.effect == "linear":
        slope = step * rng.standard_normal(shape[:2])
        return np.asarray(first[..., None] + slope[..., None] * np.arange(sessions))
    step_sd = step * np.abs(rng.standard_normal(shape[:2]))
    moves = step_sd[..., None] * rng.standard_normal(shape)
    moves[..., 0] = 0.0
    return np.asarray(first[..., None] + np.cumsum(moves, axis=-1))


def _never(definition: Definition, rng: np.random.Generator, draws: int) -> FloatArray:
    """Share of eyes the first end can never happen to, shape (draws,); (1,) of 0 where all can."""
    never = definition.groups.never
    if never is None:
        return np.zeros(1)
    return rng.beta(never.mean * never.patients, (1.0 - never.mean) * never.patients, draws)
