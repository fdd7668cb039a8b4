"""Calibration on the practice's cases before and after an update, the update redone without each fold's patients."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from retreat.errors import FitError
from retreat.model import Model
from retreat.updating.likelihood import FloatArray, IntArray
from retreat.updating.practice import Practice
from retreat.validation._checked import Courses, courses
from retreat.validation.panel import Panel, evaluate
from retreat.validation.report import MeasureRow
from retreat.validation.samples import Samples
from retreat.validation.schemes.folds import deal_patients
from retreat.validation.schemes.resampling import Progress, bootstrap_weights

MEASURES = ("observed_expected", "slope", "brier_at", "scaled_brier_at")
# sessions that a sheet's headline names
HORIZON = 3
# samples of whole patients behind the intervals, predictions held
_SAMPLES = 500

# a model updated on some of the cases, and the step that was taken
Refit = Callable[[Practice], tuple[Model, str]]


@dataclass(frozen=True)
class CalibrationRow:
    """One measure of one end by one session, before and after the update."""

    end: str
    session: int
    measure: str
    before: float
    before_low: float
    before_high: float
    after: float
    after_low: float
    after_high: float
    reason: str = ""


@dataclass(frozen=True)
class BeforeAfter:
    """Rows of the comparison, the steps taken in the folds, and folds that could not be updated.

    `expected` are the events of an end by a session that the model after the update expects among the sessions that
    were seen.
    """

    rows: tuple[CalibrationRow, ...]
    steps: Mapping[str, int]
    failures: tuple[str, ...]
    n_folds: int
    expected: Mapping[tuple[str, int], float]

    def measure_rows(self) -> tuple[MeasureRow, ...]:
        """The measures after the update in the form a verdict judges."""
        return tuple(
            MeasureRow(r.measure, r.session, r.end, r.before, r.after, r.after_low, r.after_high, r.reason)
            for r in self.rows
        )


def before_after(
    model: Model,
    practice: Practice,
    refit: Refit | None,
    *,
    folds: int,
    level: float,
    seed: int,
    progress: Progress | None = None,
) -> BeforeAfter:
    """Measures on the practice's cases by the model as it was and, out of sample, as updated.

    The model as it was must have seen none of the cases, else neither is of unseen ones. The updated one predicts the
    cases of each fold after the whole update, its choice of a step included, was redone on the other patients.
    Intervals are of samples of whole patients, predictions held.

    Parameters
    ----------
    model : Model
        The model as it was.
    practice : Practice
        The practice's cases.
    refit : callable or None
        The update; None for a model that is kept.
    folds : int
        Patients are dealt into so many folds, or one fold a patient where there are fewer.
    level : float in (0, 1)
        Coverage of the intervals.
    seed : int
        Seed of the deal and of the samples.
    progress : callable, optional
        Told after each fold.
    """
    longest = min(int(practice.sessions.max()), HORIZON)
    before = model.expected_of(practice.features, horizon=longest, n=practice.n_cases)
    steps: Counter[str] = Counter()
    failures: list[str] = []
    after = before
    n_folds = 0
    if refit is not None:
        n_folds = min(folds, practice.n_patients)
        fold = deal_patients(practice.patient, n_folds, seed)
        after = np.full_like(before, np.nan)
        for number in range(n_folds):
            out = fold == number
            try:
                updated, step = refit(practice.rows(~out))
                here = practice.rows(out)
                after[out] = updated.expected_of(here.features, horizon=longest, n=here.n_cases)
                steps[step] += 1
            except FitError as error:
                failures.append(f"fold {number + 1} of {n_folds}: {error.faults[0]}")
            if progress is not None:
                progress(number + 1, n_folds)
    seen = courses(practice.sessions, practice.ending, None, n_ends=len(model.ends))
    told = np.isfinite(after).all(axis=(1, 2))
    ks = tuple(range(1, longest + 1))
    found = [_measured(p, seen, told, practice, model.ends, ks, level, seed) for p in (before, after)]
    rows = tuple(
        CalibrationRow(
            end,
            k,
            measure,
            *found[0][measure, k, end],
            *found[1][measure, k, end],
            _reason(measure, (*found[0][measure, k, end][:1], *found[1][measure, k, end][:1])),
        )
        for end in model.ends
        for k in ks
        for measure in MEASURES
    )
    of_events = _expected_events(after, practice.sessions)
    expected = {(end, k): float(of_events[j, k - 1]) for j, end in enumerate(model.ends) for k in ks}
    return BeforeAfter(rows, dict(steps), tuple(failures), n_folds, expected)


def _expected_events(incidence: FloatArray, sessions: IntArray) -> FloatArray:
    """Events expected of each end by each session among the sessions seen, shape (ends, sessions).

    Each session at risk counts with the chance of the end given that the case was still in treatment.
    """
    by_session = np.diff(incidence, axis=2, prepend=0.0)  # (cases, ends, sessions)
    going_on = 1.0 - incidence.sum(axis=1, keepdims=True)
    before = np.concatenate([np.ones_like(going_on[..., :1]), going_on[..., :-1]], axis=2)
    hazard = np.divide(by_session, before, out=np.zeros_like(by_session), where=before > 0)
    at_risk = sessions[:, None] > np.arange(incidence.shape[2])
    return np.asarray(np.cumsum((hazard * at_risk[:, None]).sum(axis=0, where=np.isfinite(hazard)), axis=1))


def _measured(
    incidence: FloatArray,
    seen: Courses,
    told: np.ndarray,
    practice: Practice,
    ends: tuple[str, ...],
    horizons: tuple[int, ...],
    level: float,
    seed: int,
) -> dict[tuple[str, int, str], tuple[float, float, float]]:
    """Value and interval of each measure on the cases that could be predicted."""
    keys = [(m, k, end) for m in MEASURES for k in horizons for end in ends]
    nothing = (np.nan, np.nan, np.nan)
    if not told.any():
        return dict.fromkeys(keys, nothing)
    part = Courses(seen.sessions[told], seen.ending[told], seen.weights[told], seen.n_ends)
    patient = np.unique(practice.patient[told], return_inverse=True)[1].astype(np.int64)

    def panel(weights: FloatArray) -> Panel:
        with np.errstate(invalid="ignore", divide="ignore"):
            return evaluate(
                incidence[None, told], Samples(part, weights), ends=ends, horizons=horizons, measures=MEASURES
            )

    value = panel(np.ones((1, int(told.sum()))))
    samples = panel(bootstrap_weights(patient, _SAMPLES, seed))
    tails = ((1 - level) / 2, (1 + level) / 2)
    out = {}
    for key in keys:
        centre, spread = float(value[key][0]), samples[key]
        usable = spread[np.isfinite(spread)]
        if not np.isfinite(centre) or len(usable) < _SAMPLES / 2:
            out[key] = (centre, np.nan, np.nan)
        else:
            low, high = np.quantile(usable, tails)
            out[key] = (centre, float(low), float(high))
    return out


def _reason(measure: str, values: tuple[float, ...]) -> str:
    if all(np.isfinite(value) for value in values):
        return ""
    if measure == "slope":
        return "fewer than 10 of the rarer outcome, or all predictions are equal"
    return "it cannot be told from these cases"
