"""Scores of a model beside those of another on the same cases, with the interval of the difference."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.validation import logarithmic, ranked_score, squared_error_at
from retreat.validation._checked import Courses
from retreat.validation.censoring import known_weights

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

N_RESAMPLES = 2000
# what was given a smaller chance than this scores as if it had been given this
LEAST_CHANCE = 1e-4

# each case's part of a score, by measure, horizon and end
Scores = dict[tuple[str, int, str], FloatArray]


@dataclass(frozen=True)
class Comparison:
    """One score of two predictions of the same cases.

    Parameters
    ----------
    measure : str
        ``brier_at`` or ``log_score``.
    horizon : int
        By which session.
    end : str
        Which end; empty for a score of the whole course.
    model, baseline : float
        Mean scores of the model and of the other, lower is better.
    difference, low, high : float
        Model minus the other with its interval; below 0 the model is better.
    other : str
        What it is compared with: ``null`` (the share seen among all), ``lifetable``, ``boosted``.
    """

    measure: str
    horizon: int
    end: str
    model: float
    baseline: float
    difference: float
    low: float
    high: float
    other: str


def case_scores(
    incidence: FloatArray, seen: Courses, ends: tuple[str, ...], horizons: tuple[int, ...]
) -> Scores:
    """Each case's part of each score, by measure, horizon and end.

    Parameters
    ----------
    incidence : ndarray of float, shape (cases, ends, horizon)
        Predicted cumulative incidences.
    seen : Courses
        What happened.
    ends : tuple of str
        Names of the ends.
    horizons : tuple of int
        Sessions at which Brier scores are taken; the log score looks at the course up to the last.
    """
    scores = {}
    for horizon in horizons:
        known = known_weights(seen, horizon)
        for j, end in enumerate(ends):
            happened = (seen.ending == j + 1) & (seen.sessions <= horizon)
            p = incidence[:, j, horizon - 1]
            scores["brier_at", horizon, end] = squared_error_at.contributions(p, happened, known)
    last = horizons[-1]
    pmf = np.diff(incidence[:, :, :last], axis=-1, prepend=0.0)
    lost = logarithmic.contributions(np.clip(pmf, 0.0, None), seen)
    # one case that was given no chance at all would decide the comparison alone
    scores["log_score", last, ""] = np.minimum(lost, -np.log(LEAST_CHANCE))
    scores["rps", last, ""] = ranked_score.contributions(incidence[:, :, :last], seen)
    return scores


def patient_interval(
    values: FloatArray, patient: IntArray, *, level: float, seed: int
) -> tuple[float, float]:
    """Percentile bootstrap interval of a mean over cases, patients resampled whole.

    Predictions are held fixed, so the interval is about the cases, not about refitting.

    Parameters
    ----------
    values : ndarray of float, shape (cases,)
        One value a case.
    patient : ndarray of int, shape (cases,)
        Patients, numbered from 0 without holes.
    level : float in (0, 1)
        Coverage.
    seed : int
        Seed of the resamples.
    """
    rng = np.random.default_rng(seed)
    n = int(patient.max()) + 1
    drawn = rng.multinomial(n, np.full(n, 1.0 / n), size=N_RESAMPLES)
    means = (
        drawn
        @ np.bincount(patient, weights=values, minlength=n)
        / (drawn @ np.bincount(patient, minlength=n))
    )
    low, high = np.quantile(means, ((1 - level) / 2, (1 + level) / 2))
    return float(low), float(high)


def compare(
    model: Scores, baseline: Scores, patient: IntArray, *, other: str, level: float, seed: int
) -> tuple[Comparison, ...]:
    """Paired differences of the scores with the interval of :func:`patient_interval`.

    Parameters
    ----------
    model, baseline : dict
        From :func:`case_scores` on the same cases.
    other : str
        Name of the other.
    patient, level, seed
        As for :func:`patient_interval`.
    """
    found = []
    for key, ours in model.items():
        gap = ours - baseline[key]
        low, high = patient_interval(gap, patient, level=level, seed=seed)
        found.append(
            Comparison(
                *key, float(ours.mean()), float(baseline[key].mean()), float(gap.mean()), low, high, other
            )
        )
    return tuple(found)
