"""Forecasts during a course held against what followed: calibration and scores among those still in treatment."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from retreat.validation import logarithmic
from retreat.validation._checked import BoolArray, Courses, FloatArray, IntArray
from retreat.validation._spread import Interval
from retreat.validation.agreement_at import calibration_at
from retreat.validation.agreement_record import Calibration
from retreat.validation.comparison import LEAST_CHANCE, patient_interval
from retreat.validation.held_scores import scored_with_intervals
from retreat.validation.midcourse import AHEAD, LEAST_CASES, MidCourse, Told, agreement_of, not_told

if TYPE_CHECKING:
    import pandas as pd

_NONE = (np.nan, np.nan)

AGREEMENT = ("observed_expected", "slope", "intercept", "ici")
SCORES = ("brier_at", "scaled_brier_at", "concordance_at")
LOG_SCORE = "log_score"
# the log score less that of the model it is held against
DIFFERENCE = "log_score_difference"


@dataclass(frozen=True)
class LandmarkRow:
    """One measure of the forecasts of cases that had `done` sessions and went on.

    Parameters
    ----------
    done, horizon : int
        Sessions had, and by which session the end is counted.
    end : str
        Which end; empty for a score of all ends together.
    n : int
        Cases still in treatment after `done`.
    measure : str
        One of :data:`AGREEMENT`, :data:`SCORES`, :data:`LOG_SCORE` or :data:`DIFFERENCE`.
    value, low, high : float
        The measure with its interval; patients are taken as independent, two eyes of one not, and the forecasts as
        given.
    reason : str
        Why there is no value; empty where there is one.
    told : {"all", "told"}
        Whether all these cases count, or those alone of which a session had told how the eye stands.
    """

    done: int
    horizon: int
    end: str
    n: int
    measure: str
    value: float
    low: float = np.nan
    high: float = np.nan
    reason: str = ""
    told: Told = "all"


_COLUMNS = ("done", "horizon", "end", "told", "n", "measure", "value", "low", "high")


def landmark_table(rows: Sequence[LandmarkRow]) -> pd.DataFrame:
    """Tidy table: done, horizon, end, told, n, measure, value, low, high."""
    import pandas as pd  # heavy: only whoever asks for a table pays for it

    return pd.DataFrame([[getattr(row, c) for c in _COLUMNS] for row in rows], columns=list(_COLUMNS))


@dataclass(frozen=True)
class Landmarks:
    """What was found at all landmarks.

    Parameters
    ----------
    rows : tuple of LandmarkRow
        Every measure.
    mid_course : tuple of MidCourse
        Calibration two sessions ahead, of landmarks after the first session.
    notes : tuple of str
        Cases left out because the model has no forecast of them; landmarks with too few eyes told of.
    """

    rows: tuple[LandmarkRow, ...] = ()
    mid_course: tuple[MidCourse, ...] = ()
    notes: tuple[str, ...] = ()

    def as_told(self) -> Landmarks:
        """The same, of cases that are all told of."""
        return Landmarks(
            tuple(replace(row, told="told") for row in self.rows),
            tuple(replace(row, told="told") for row in self.mid_course),
        )


def at_landmarks(
    forecasts: Mapping[int, FloatArray],
    seen: Courses,
    patient: IntArray,
    *,
    ends: Sequence[str],
    beside: Mapping[int, FloatArray] | None = None,
    told: Mapping[int, BoolArray] | None = None,
    level: float = 0.95,
    seed: int = 1,
) -> Landmarks:
    """Calibration and scores at each landmark (van Houwelingen 2007 [1]_), on forecasts for held-out cases.

    Parameters
    ----------
    forecasts : mapping of int to ndarray of float, shape (cases, ends, ahead)
        By sessions had: cumulative incidences in the sessions that follow, given that the case went on; NaN for a case
        that has no forecast. Cases that did not go on are not looked at.
    seen : Courses
        What happened, from the first session.
    patient : ndarray of int, shape (cases,)
        Patients.
    ends : sequence of str
        Names of the ends.
    beside : mapping of int to ndarray of float, optional
        Forecasts of the same cases by another model.
    told : mapping of int to ndarray of bool, shape (cases,), optional
        By sessions had, of a model that learns from them: cases of which a session had told how the eye stands. They
        are looked at by themselves too.
    level : float in (0, 1)
        Of the intervals.
    seed : int
        Of the resamples behind them.

    References
    ----------
    .. [1] van Houwelingen HC. Dynamic prediction by landmarking in event history analysis. Scand J Stat
       2007;34:70-85 (from memory).
    """
    rows: list[LandmarkRow] = []
    during: list[MidCourse] = []
    notes: list[str] = []
    for done, incidence in sorted(forecasts.items()):
        other = None if beside is None else beside[done]
        among = None if told is None else told.get(done)
        look = partial(
            Landmark, incidence, seen, patient, done=done, ends=tuple(ends), level=level, seed=seed
        )
        whole = look()
        found = whole.looked_at(other)
        parts = [found]
        if among is not None:
            some = look(among=among)
            # nearly every eye may be told of: the same cases need no second look
            parts.append(found.as_told() if some.n == whole.n else some.looked_at(other))
            notes += some.notes_of_told(whole.n)
        for part in parts:
            rows += part.rows
            during += part.mid_course
        notes += whole.notes()
    return Landmarks(tuple(rows), tuple(during), tuple(notes))


class Landmark:
    """Cases that went on after so many sessions, their forecasts and what followed.

    Parameters
    ----------
    incidence, seen, patient, ends, level, seed
        As for :func:`at_landmarks`, of one landmark.
    done : int, from 0
        Sessions had.
    among : ndarray of bool, shape (cases,), optional
        Cases of which a session had told how the eye stands; others are not looked at.
    """

    def __init__(
        self,
        incidence: FloatArray,
        seen: Courses,
        patient: IntArray,
        *,
        done: int,
        ends: tuple[str, ...],
        level: float,
        seed: int,
        among: BoolArray | None = None,
    ) -> None:
        # a case last seen after exactly `done` sessions was not followed beyond
        went_on = seen.sessions > done
        self.told: Told = "all" if among is None else "told"
        if among is not None:
            went_on = went_on & among
        self.on: BoolArray = went_on & np.isfinite(incidence).all(axis=(1, 2))
        self.done, self.ends, self.level, self.seed = done, ends, level, seed
        self.n = int(self.on.sum())
        self.n_went_on = int(went_on.sum())
        self.why = "" if self.n >= LEAST_CASES else self._too_few()
        self.incidence = incidence[self.on]
        self.seen = Courses(
            seen.sessions[self.on] - done, seen.ending[self.on], seen.weights[self.on], seen.n_ends
        )
        self.patient = np.unique(patient[self.on], return_inverse=True)[1].astype(np.int64)
        self.ahead = range(1, incidence.shape[-1] + 1)
        self._found: dict[tuple[int, int], Calibration] = {}

    def _too_few(self) -> str:
        have = "went on" if self.n == self.n_went_on else f"of {self.n_went_on} that went on have a forecast"
        of_told = "" if self.told == "all" else " with something noted"
        return f"{self.n} cases{of_told} {have} after session {self.done}, at least {LEAST_CASES} needed"

    def looked_at(self, other: FloatArray | None) -> Landmarks:
        """Every measure, beside those of another's forecasts of all cases."""
        rows = self.rows() + ([] if other is None else self.differences(other[self.on]))
        during = self.mid_course() if self.done and len(self.ahead) >= AHEAD else []
        return Landmarks(tuple(rows), tuple(during))

    def notes(self) -> list[str]:
        """How many cases have no forecast."""
        without = self.n_went_on - self.n
        if not without:
            return []
        return [
            f"{without} of {self.n_went_on} cases that went on after session {self.done} have no forecast then"
        ]

    def notes_of_told(self, n_all: int) -> list[str]:
        """Whether too few of all cases are told of to speak for the model."""
        if not self.why or n_all < LEAST_CASES:
            return []
        return [
            f"{self.n} of {n_all} cases that went on after session {self.done} had something noted: the verdict there "
            "rests on all, most of them forecast as by a model that knows no visits"
        ]

    def agreement(self, j: int, h: int) -> Calibration:
        """Calibration of end j in the next h sessions."""
        if (j, h) not in self._found:
            self._found[j, h] = calibration_at(
                self.incidence[:, j, h - 1],
                self.seen.sessions,
                self.seen.ending,
                end=j + 1,
                horizon=h,
                groups=self.patient,
                level=self.level,
            )
        return self._found[j, h]

    def mid_course(self) -> list[MidCourse]:
        """Calibration two sessions ahead."""
        horizon = self.done + AHEAD
        if self.why:
            return [
                not_told(done=self.done, horizon=horizon, end=end, n=self.n, reason=self.why, told=self.told)
                for end in self.ends
            ]
        return [
            agreement_of(
                self.agreement(j, AHEAD),
                done=self.done,
                horizon=horizon,
                end=end,
                n=self.n,
                told=self.told,
            )
            for j, end in enumerate(self.ends)
        ]

    def rows(self) -> list[LandmarkRow]:
        """Every measure of the model's own forecasts."""
        if self.why:
            names = [(end, name) for end in self.ends for name in (*AGREEMENT, *SCORES)] + [("", LOG_SCORE)]
            return [self._row(h, end, name, np.nan) for h in self.ahead for end, name in names]
        scored = scored_with_intervals(
            self.incidence,
            self.seen,
            self.patient,
            ends=self.ends,
            horizons=tuple(self.ahead),
            measures=SCORES,
            level=self.level,
            seed=self.seed,
        )
        rows = []
        for h in self.ahead:
            for j, end in enumerate(self.ends):
                rows += self._agreement_rows(h, end, self.agreement(j, h))
                rows += [self._row(h, end, name, *scored[name, h, end]) for name in SCORES]
            lost = self._lost(self.incidence, h)
            rows.append(self._row(h, "", LOG_SCORE, float(lost.mean()), self._interval(lost)))
        return rows

    def differences(self, other: FloatArray) -> list[LandmarkRow]:
        """Log score less that of the other's forecasts of the same cases, those with both alone."""
        both = np.isfinite(other).all(axis=(1, 2))
        why = self.why
        if not why and both.sum() < LEAST_CASES:
            why = f"{int(both.sum())} cases have both forecasts, at least {LEAST_CASES} needed"
        rows = []
        for h in self.ahead:
            if why:
                rows.append(self._row(h, "", DIFFERENCE, np.nan, reason=why))
                continue
            gap = (self._lost(self.incidence, h) - self._lost(np.nan_to_num(other), h))[both]
            interval = self._interval(gap, both)
            rows.append(self._row(h, "", DIFFERENCE, float(gap.mean()), interval, n=int(both.sum())))
        return rows

    def _agreement_rows(self, h: int, end: str, found: Calibration) -> list[LandmarkRow]:
        # a smooth curve of every sample would take longer than all else; its distance has no interval here
        told = (
            (found.observed_expected, found.observed_expected_interval),
            (found.slope, found.slope_interval),
            (found.intercept, found.intercept_interval),
            (found.ici, _NONE),
        )
        return [
            self._row(h, end, name, value, interval, reason=found.reason)
            for name, (value, interval) in zip(AGREEMENT, told, strict=True)
        ]

    def _lost(self, incidence: FloatArray, h: int) -> FloatArray:
        pmf = np.diff(incidence[:, :, :h], axis=-1, prepend=0.0)
        lost = logarithmic.contributions(np.clip(pmf, 0.0, None), self.seen)
        # one case that was given no chance at all would decide alone
        return np.asarray(np.minimum(lost, -np.log(LEAST_CHANCE)))

    def _interval(self, values: FloatArray, rows: BoolArray | None = None) -> Interval:
        patient = self.patient if rows is None else np.unique(self.patient[rows], return_inverse=True)[1]
        return patient_interval(values, patient, level=self.level, seed=self.seed)

    def _row(
        self,
        h: int,
        end: str,
        measure: str,
        value: float,
        interval: Interval = _NONE,
        *,
        reason: str = "",
        n: int | None = None,
    ) -> LandmarkRow:
        told = bool(np.isfinite(value))
        why = "" if told else self.why or reason or "it cannot be told from these cases"
        return LandmarkRow(
            self.done,
            self.done + h,
            end,
            self.n if n is None else n,
            measure,
            float(value) if told else np.nan,
            *(interval if told else _NONE),
            why,
            self.told,
        )
