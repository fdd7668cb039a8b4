"""Optimism by the bootstrap: how much better a recipe looks on the cases it was fitted to than on others."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.validation._checked import Courses
from retreat.validation._spread import normal_quantile
from retreat.validation.measure import Measure, measures
from retreat.validation.panel import DISTANCES, NAMES, Key, Panel, Predictions, evaluate
from retreat.validation.samples import Samples
from retreat.validation.schemes.resampling import CHUNK, Progress, Refits, chunks, keep_freed_memory, shared

FloatArray = NDArray[np.float64]
Correction = Literal["harrell", "632+"]
CORRECTIONS: tuple[Correction, ...] = ("harrell", "632+")


@dataclass(frozen=True)
class Question:
    """What is measured: the courses, names of the ends, horizons and measures."""

    seen: Courses
    ends: tuple[str, ...]
    horizons: tuple[int, ...]
    measures: tuple[str, ...] = NAMES

    def on(self, incidence: FloatArray | Predictions, samples: Samples) -> Panel:
        """The measures of these predictions on these samples."""
        return evaluate(incidence, samples, ends=self.ends, horizons=self.horizons, measures=self.measures)


@dataclass(frozen=True)
class Corrected:
    """One measure, corrected for optimism."""

    apparent: float
    corrected: float
    low: float
    high: float
    n_failed: int
    reason: str = ""

    def within(self, measure: Measure | None) -> Corrected:
        """The same, its interval cut to the values the measure can have."""
        if measure is None:
            return self
        return replace(self, low=max(self.low, measure.low), high=min(self.high, measure.high))


@dataclass(frozen=True)
class Optimism:
    """What the bootstrap found.

    Parameters
    ----------
    values : mapping of Key to Corrected
        Each measure.
    failures : tuple of str
        Why resamples could not be fitted, one line each.
    per_case : ndarray of float, shape (resamples kept, cases, ends)
        Predictions by the last horizon of the models refitted, for instability.
    """

    values: dict[Key, Corrected]
    failures: tuple[str, ...]
    per_case: FloatArray


def correct_optimism(
    refits: Refits,
    question: Question,
    weights: FloatArray,
    *,
    correction: Correction = "harrell",
    level: float = 0.95,
    jobs: int = 1,
    cluster: str = "",
    progress: Progress | None = None,
) -> Optimism:
    r"""Apparent measures corrected for optimism.

    Each resample is refitted and measured on itself and on the cases as they are; the mean difference is
    the optimism (Efron 1983; Harrell, Lee and Mark 1996 [1]_). ``"632+"`` weighs the apparent measure with
    that of the cases a resample left out (Efron and Tibshirani 1997 [2]_). The interval is normal around
    the corrected value. Its standard error is the larger of two spreads over the resamples: of the whole
    model's measure with its predictions held (an apparent slope hardly varies), and of the optimism itself;
    for a measure with an ideal value it is stretched by as much as the correction moves a value away from
    it. That two-stage resampling is needed in principle is shown by Noma and others 2021 [3]_; this is a
    cheap stand-in, and `reports.optimism` measures its coverage.

    Parameters
    ----------
    refits : Refits
        The recipe.
    question : Question
        What is measured.
    weights : ndarray of float, shape (resamples, cases)
        From :func:`~retreat.validation.schemes.resampling.bootstrap_weights`.
    correction : {"harrell", "632+"}
        Which.
    level : float in (0, 1)
        Coverage of the intervals.
    jobs, cluster, progress
        As for :func:`~retreat.validation.schemes.resampling.shared`.

    Raises
    ------
    FitError
        If the whole table, or every resample, cannot be fitted.

    References
    ----------
    .. [1] Harrell FE, Lee KL, Mark DB. Multivariable prognostic models. Stat Med 1996;15:361-387 (from memory).
    .. [2] Efron B, Tibshirani R. Improvements on cross-validation: the .632+ bootstrap method. JASA
       1997;92:548-560 (from memory).
    .. [3] Noma H, Shinozaki T, Iba K, Teramukai S, Furukawa TA. Confidence intervals of prediction accuracy
       measures for multivariable prediction models based on the bootstrap-based optimism correction methods.
       Stat Med 2021;40:5691-5701 (from memory).
    """
    n = weights.shape[1]
    whole, failed = refits.predict(np.ones((1, n)))
    if failed:
        raise FitError(Fault("cases", failed[0], fix="mend this first; resamples would fail in the same way"))
    original = Samples(question.seen, np.ones((1, n)))
    apparent = question.on(whole, original)
    work = _Work(refits, question, whole, correction == "632+")
    found = shared(
        work, chunks(weights, getattr(refits, "chunk", CHUNK)), jobs=jobs, cluster=cluster, progress=progress
    )
    failures = tuple(
        f"resample {start * len(found[0].failed) + r + 1}: {why}"
        for start, part in enumerate(found)
        for r, why in sorted(part.failures.items())
    )
    if all(part.failed.all() for part in found):
        raise FitError([Fault("resamples", failure) for failure in failures[:10]])
    panels = [
        {key: np.concatenate([getattr(part, name)[key] for part in found]) for key in apparent}
        for name in ("train", "test", "held", "left_out")
    ]
    none = _no_information(question, whole, original)
    values, known = {}, measures()
    for key, value in apparent.items():
        train, test, held, left_out = (panel[key] for panel in panels)
        if correction == "harrell":
            estimate, told = _harrell(float(value[0]), train, test)
        else:
            estimate, told = _plus(float(value[0]), left_out, none.get(key))
        # a distance from a curve is above 0 by chance alone, more so in a resample: its spread is no interval
        error = np.nan if key[0] in DISTANCES else max(_spread(held), _spread(train - test))
        error *= _stretch(known.get(key[0]), float(value[0]), estimate)
        values[key] = _corrected(
            float(value[0]), estimate, error, n_failed=len(told) - int(told.sum()), level=level
        ).within(known.get(key[0]))
    per_case = np.concatenate([part.last[~part.failed] for part in found])
    return Optimism(values, failures, per_case)


@dataclass(frozen=True)
class _Part:
    train: Panel
    test: Panel
    held: Panel
    left_out: Panel
    failed: NDArray[np.bool_]
    failures: dict[int, str]
    last: FloatArray


@dataclass(frozen=True)
class _Work:
    """What is done with some resamples; what all resamples share is worked out once."""

    refits: Refits
    question: Question
    whole: FloatArray
    left_out: bool

    @cached_property
    def _original(self) -> Samples:
        return Samples(self.question.seen, np.ones((1, self.whole.shape[1])))

    @cached_property
    def _held(self) -> Predictions:
        return Predictions(self.whole, self.question.seen)

    def __call__(self, weights: FloatArray) -> _Part:
        keep_freed_memory()
        predicted, failures = self.refits.predict(weights)
        question = self.question
        sample = Samples(question.seen, weights)
        with np.errstate(invalid="ignore"):
            together = Predictions(predicted, question.seen)
            train = question.on(together, sample)
            test = question.on(together, self._original)
            held = question.on(self._held, sample)
            others = (
                question.on(together, Samples(question.seen, (weights == 0).astype(float)))
                if self.left_out
                else {key: np.full(len(weights), np.nan) for key in train}
            )
        failed = np.zeros(len(weights), dtype=bool)
        failed[list(failures)] = True
        # ranks of predictions that are not there would still be ranked
        train, test, others = (
            {key: np.where(failed, np.nan, values) for key, values in panel.items()}
            for panel in (train, test, others)
        )
        last = predicted[:, :, :, max(question.horizons) - 1]
        return _Part(train, test, held, others, failed, failures, last)


def _corrected(apparent: float, estimate: float, error: float, *, n_failed: int, level: float) -> Corrected:
    if np.isnan(estimate):
        reason = "it cannot be estimated from these cases"
        return Corrected(apparent, np.nan, np.nan, np.nan, n_failed, reason)
    half = normal_quantile(level) * error
    return Corrected(apparent, estimate, estimate - half, estimate + half, n_failed)


def _spread(values: FloatArray) -> float:
    told = values[np.isfinite(values)]
    return float(told.std(ddof=1)) if len(told) > 1 else np.nan


def _stretch(measure: Measure | None, apparent: float, estimate: float) -> float:
    """How much further apart corrected values of different samples lie than apparent ones.

    A model that looks better than another of its kind has less optimism, none at the ideal value: the correction
    multiplies the distance from it, and so the error.
    """
    if measure is None or measure.direction == "target" or apparent == measure.ideal:
        return 1.0
    return max(1.0, (measure.ideal - estimate) / (measure.ideal - apparent))


def _harrell(apparent: float, train: FloatArray, test: FloatArray) -> tuple[float, NDArray[np.bool_]]:
    told = np.isfinite(train) & np.isfinite(test)
    if not told.any():
        return np.nan, told
    return apparent - float((train[told] - test[told]).mean()), told


def _plus(apparent: float, left_out: FloatArray, none: float | None) -> tuple[float, NDArray[np.bool_]]:
    """The .632+ estimate; the plain .632 one where no information has no agreed value."""
    told = np.isfinite(left_out)
    if not told.any() or np.isnan(apparent):
        return np.nan, told
    outside, share = float(left_out[told].mean()), 0.632
    if none is not None:
        gap, room = outside - apparent, none - apparent
        if abs(gap) > abs(room) and gap * room > 0:  # beyond no information
            outside, gap = none, room
        # no overfitting where the left-out cases do no worse
        share = 0.632 / (1.0 - 0.368 * (gap / room if gap * room > 0 else 0.0))
    return (1.0 - share) * apparent + share * outside, told


def _no_information(question: Question, whole: FloatArray, original: Samples) -> dict[Key, float]:
    """Value of each measure were predictions and outcomes paired at random."""
    found: dict[Key, float] = {}
    for j, end in enumerate(question.ends):
        for h in question.horizons:
            p, share = whole[0, :, j, h - 1], float(original.observed(h)[0, j, -1])
            brier = float((p**2).mean() - 2.0 * p.mean() * share + share)
            found["brier_at", h, end] = brier
            found["concordance_at", h, end] = 0.5
            found["slope", h, end] = 0.0
            if 0.0 < share < 1.0:
                found["scaled_brier_at", h, end] = 1.0 - brier / (share * (1.0 - share))
    return found
