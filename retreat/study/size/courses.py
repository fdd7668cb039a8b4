"""Courses drawn from a truth: all sessions of all eyes at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.hazard import hazards_and_going_on
from retreat.model.kernel import Parameters
from retreat.study.size.mix import patients
from retreat.study.size.scenario import Scenario

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Drawn:
    """One study that might be: X (eyes, columns); sessions, ending, patient (eyes,); ending 0 is ongoing or lost."""

    X: FloatArray
    sessions: IntArray
    ending: IntArray
    patient: IntArray

    @property
    def n_patients(self) -> int:
        """How many patients."""
        return int(self.patient.max()) + 1


def draw_study(scenario: Scenario, n_eyes: int, truth: Parameters, rng: np.random.Generator) -> Drawn:
    """A study of so many eyes under one truth.

    A patient's eyes share one standard normal number that moves every end by its loading; an eye that never responds
    has no chance of the first end; eyes in treatment are lost at random after each session.

    Parameters
    ----------
    scenario : Scenario
        Who comes.
    n_eyes : int
        Eyes.
    truth : Parameters
        One draw.
    rng : numpy.random.Generator
        Source of chance.
    """
    patient = patients(n_eyes, scenario.eyes_per_patient)
    X = scenario.columns(patient, rng)
    hazards = eye_hazards(scenario, X, truth, patient, rng)  # (eyes, ends, sessions)
    up_to = np.cumsum(hazards, axis=1)
    chance = rng.random((n_eyes, scenario.most_sessions))
    # which end each session would bring: 0 none, else the first whose share the chance falls into
    brought = np.where(chance < up_to[:, -1], 1 + (chance[:, None] >= up_to).sum(axis=1), 0)
    gone = rng.random(brought.shape) < scenario.lost
    over = (brought > 0) | gone
    over[:, -1] = True
    last = over.argmax(axis=1)
    return Drawn(X, last + 1, brought[np.arange(n_eyes), last].astype(np.int64), patient)


def eye_hazards(
    scenario: Scenario, X: FloatArray, truth: Parameters, patient: IntArray, rng: np.random.Generator
) -> FloatArray:
    """Hazards of eyes with their patients' own numbers drawn, shape (eyes, ends, sessions)."""
    case = X @ truth.coefficients[0].T + truth.operator_effect[0]
    own = rng.standard_normal(int(patient.max()) + 1)[patient]
    case = case + own[:, None] * truth.patient_loading[0]
    stays = rng.random(len(X)) < truth.never[0]
    case[stays, 0] = -np.inf
    sessions = truth.sessions_to(scenario.most_sessions)[0, 0]  # (ends, sessions)
    return hazards_and_going_on(case[..., None] + sessions, scenario.definition.link)[0]
