"""Scores of forecasts that are held fixed, with intervals of the patients drawn."""

from __future__ import annotations

import numpy as np

from retreat.validation._checked import Courses, FloatArray, IntArray
from retreat.validation._spread import Interval
from retreat.validation.panel import evaluate
from retreat.validation.samples import Samples
from retreat.validation.schemes.resampling import bootstrap_weights

# samples of patients behind an interval
_SAMPLES = 500


def scored_with_intervals(
    incidence: FloatArray,
    seen: Courses,
    patient: IntArray,
    *,
    ends: tuple[str, ...],
    horizons: tuple[int, ...],
    measures: tuple[str, ...],
    level: float,
    seed: int,
) -> dict[tuple[str, int, str], tuple[float, Interval]]:
    """Each measure by its name, horizon and end, with the percentile interval of a bootstrap of patients.

    Parameters
    ----------
    incidence : ndarray of float, shape (cases, ends, sessions)
        Forecasts.
    seen : Courses
        What followed.
    patient : ndarray of int, shape (cases,)
        Patients, numbered from 0 without holes.
    ends : tuple of str
        Names of the ends.
    horizons : tuple of int
        Sessions by which ends are counted.
    measures : tuple of str
        Names of measures.
    level : float in (0, 1)
        Of the intervals; NaN where no sample had a value.
    seed : int
        Of the resamples.
    """

    def on(weights: FloatArray) -> dict[tuple[str, int, str], FloatArray]:
        return evaluate(
            incidence[None], Samples(seen, weights), ends=ends, horizons=horizons, measures=measures
        )

    values = on(np.ones((1, len(patient))))
    with np.errstate(divide="ignore"):  # a sample may hold no end of one kind
        spread = on(bootstrap_weights(patient, _SAMPLES, seed))
    return {key: (float(value[0]), _interval(spread[key], level)) for key, value in values.items()}


def _interval(spread: FloatArray, level: float) -> Interval:
    told = spread[np.isfinite(spread)]
    if not len(told):
        return np.nan, np.nan
    low, high = np.quantile(told, ((1 - level) / 2, (1 + level) / 2))
    return float(low), float(high)
