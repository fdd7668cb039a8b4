"""A definition's priors as a quadratic penalty on the free parameters of a logistic fit."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.design import Design
from retreat.fitting.layout import Layout, step_precision
from retreat.fitting.newton import Penalty

FloatArray = NDArray[np.float64]


def prior_penalty(design: Design, layout: Layout) -> Penalty:
    """Minus log prior density of coefficients and session effects, up to a constant.

    Coefficients are normal as the definition says; the first session's effect of each end is normal, later
    ones step from it by a random walk. Operator and patient effects have no place in a logistic fit.
    """
    coefficients = _coefficients(*design.definition.coefficient_priors(design.coding), layout)
    sessions = session_penalty(design, layout, first=True)
    # both are zero where the other is not, so their sum is the penalty of the whole
    return Penalty(coefficients.mean + sessions.mean, coefficients.precision + sessions.precision)


def ridge_penalty(design: Design, layout: Layout, strength: float) -> Penalty:
    """Ridge of this strength on the coded columns; session effects held together by the definition's step."""
    shape = (layout.n_ends, layout.n_columns)
    sessions = session_penalty(design, layout, first=False)
    if strength == 0:
        return sessions
    ridge = _coefficients(np.zeros(shape), np.full(shape, strength**-0.5), layout)
    return Penalty(sessions.mean, sessions.precision + ridge.precision)


def session_penalty(design: Design, layout: Layout, *, first: bool) -> Penalty:
    """Penalty of the session effects alone, with or without the prior of the first session."""
    n_free = layout.matrix.shape[1]
    mean, precision = np.zeros(n_free), np.zeros((n_free, n_free))
    settings = design.definition.sessions
    if settings.step is not None:
        if settings.effect == "smooth":
            precision += step_precision(layout, settings.step.sd)
        elif settings.effect == "linear":
            precision += _slope_precision(layout, settings.step.sd)
    if first:
        centre, sd = design.definition.first_session_priors()
        for end in range(layout.n_ends):
            for own in _first_or_all(layout, end, every=settings.effect == "free"):
                mean[own] = centre[end]
                precision[own, own] += sd[end] ** -2
        # later sessions share the first one's level, so that the walk is centred on it
        if settings.effect == "smooth":
            mean[layout.n_coefficients :] = _level(layout, centre)
    return Penalty(mean, precision)


def _slope_precision(layout: Layout, step_sd: float) -> FloatArray:
    """Precision of linear session effects whose slope, the step from session to session, has this spread."""
    n_free = layout.matrix.shape[1]
    precision = np.zeros((n_free, n_free))
    for end in range(layout.n_ends):
        for slope in _first_or_all(layout, end, every=True)[1:]:
            precision[slope, slope] = step_sd**-2
    return precision


def _first_or_all(layout: Layout, end: int, *, every: bool) -> NDArray[np.intp]:
    rows = layout.matrix[layout.n_coefficients + end * layout.n_sessions :][: layout.n_sessions]
    used = np.flatnonzero(rows.any(axis=0))
    return used if every else used[:1]


def _level(layout: Layout, centre: FloatArray) -> FloatArray:
    effects = layout.matrix[layout.n_coefficients :, layout.n_coefficients :]
    by_end = effects.reshape(layout.n_ends, layout.n_sessions, -1).any(axis=1)  # (ends, free session effects)
    return np.asarray(centre @ by_end)


def _coefficients(mean: FloatArray, sd: FloatArray, layout: Layout) -> Penalty:
    n_free = layout.matrix.shape[1]
    centre, precision = np.zeros(n_free), np.zeros((n_free, n_free))
    centre[: layout.n_coefficients] = mean.ravel()
    own = np.arange(layout.n_coefficients)
    precision[own, own] = sd.ravel() ** -2
    return Penalty(centre, precision)
