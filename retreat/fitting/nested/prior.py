"""Normal prior of coefficients, session effects and operators, given the spreads."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.design import Design
from retreat.fitting.groups import has_operator_effect, has_patient_effect
from retreat.fitting.nested.courses import Courses
from retreat.fitting.nested.spreads import Spreads

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Prior:
    """Normal prior with a precision that depends on the spreads; coefficients end by end, then session effects.

    Parameters
    ----------
    mean : ndarray, shape (parameters,)
        Means.
    precision : ndarray, shape (parameters, parameters)
        Part of the precision that does not depend on the spreads.
    step : ndarray, shape (ends, parameters, parameters)
        Precision of the steps of an end at spread 1.
    operator : ndarray, shape (ends, parameters, parameters)
        Precision of the operators of an end at spread 1.
    n_steps, n_operators : int
        Steps and operators of an end: how the determinant of the precision grows.
    spreads : Spreads
        The spreads.
    """

    mean: FloatArray
    precision: FloatArray
    step: FloatArray
    operator: FloatArray
    n_steps: int
    n_operators: int
    spreads: Spreads

    def precisions(self, line: FloatArray) -> FloatArray:
        """Precision under each draw of the spreads, shape (draws, parameters, parameters)."""
        out = np.repeat(self.precision[None], len(line), axis=0)
        flat = out.reshape(len(line), -1)
        for unit, sd in self._learned(line):
            for j in range(sd.shape[1]):
                # few entries depend on a spread
                entries = np.flatnonzero(unit[j])
                flat[:, entries] += sd[:, j, None] ** -2.0 * unit[j].ravel()[entries]
        return out

    def log_determinant(self, line: FloatArray) -> FloatArray:
        """Log determinant of the precision under each draw, up to a constant, shape (draws,)."""
        out = np.zeros(len(line))
        for (_, sd), n in zip(self._learned(line), (self.n_steps, self.n_operators), strict=True):
            out -= 2.0 * n * np.log(sd).sum(axis=1)
        return out

    def log_density(self, point: FloatArray, line: FloatArray) -> FloatArray:
        """Log prior density of coefficients and session effects and of the spreads themselves, up to a constant."""
        away = point - self.mean
        out = -0.5 * ((away @ self.precision) * away).sum(axis=1)
        for unit, sd in self._learned(line):
            for j in range(sd.shape[1]):
                out -= 0.5 * ((away @ unit[j]) * away).sum(axis=1) / sd[:, j] ** 2
        return np.asarray(out + 0.5 * self.log_determinant(line) + self.spreads.log_density(line))

    def _learned(self, line: FloatArray) -> list[tuple[FloatArray, FloatArray]]:
        return [
            (self.step[: sd.shape[1]] if name == "step" else self.operator[: sd.shape[1]], sd)
            for name, sd in (
                ("step", self.spreads.step_sd(line)),
                ("operator", self.spreads.operator_sd(line)),
            )
        ]


def definition_prior(design: Design, courses: Courses, *, prior_scale: float = 1.0) -> Prior:
    """Prior that the definition of a design states.

    Parameters
    ----------
    design : Design
        Cases and definition. Session effects on a line have a density here, but no normal to draw from.
    courses : Courses
        Its courses.
    prior_scale : float, above 0
        Multiplies the standard deviations of coefficients and first session.
    """
    definition = design.definition
    K, E, p = courses.n_ends, courses.n_effects, courses.X.shape[1]
    O = courses.n_operators if has_operator_effect(design) else 0
    width = p + O
    size = K * (width + E)
    mean, precision = np.zeros(size), np.zeros((size, size))
    step, operator = np.zeros((2, K, size, size))
    centre, sd = definition.coefficient_priors(design.coding)
    level, level_sd = definition.first_session_priors()
    smooth = definition.sessions.effect == "smooth" and E > 1
    for j in range(K):
        own = j * width + np.arange(p)
        mean[own], precision[own, own] = centre[j], (sd[j] * prior_scale) ** -2.0
        one_each = j * width + p + np.arange(O)
        operator[j, one_each, one_each] = 1.0
        sessions = K * width + j * E + np.arange(E)
        mean[sessions] = level[j]
        held = sessions if definition.sessions.effect == "free" else sessions[:1]
        precision[held, held] = (level_sd[j] * prior_scale) ** -2.0
        away = np.diff(np.eye(E), axis=0)
        if smooth:
            step[j][np.ix_(sessions, sessions)] = away.T @ away
        elif definition.sessions.effect == "linear" and definition.sessions.step is not None and E > 1:
            slope = np.outer(away[0], away[0]) / definition.sessions.step.sd**2
            precision[np.ix_(sessions, sessions)] += slope
    groups = definition.groups
    never = groups.never
    spreads = Spreads(
        K,
        step=definition.sessions.step.sd if smooth and definition.sessions.step is not None else None,
        operator=groups.operator.sd if O and groups.operator is not None else None,
        patient=groups.patient.sd if has_patient_effect(design) and groups.patient is not None else None,
        never=None if never is None else (never.mean * never.patients, (1 - never.mean) * never.patients),
    )
    return Prior(mean, precision, step, operator, E - 1, O, spreads)
