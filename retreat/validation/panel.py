"""Every measure of many predictions of the same courses at once: the arithmetic of a resampling scheme.

Batched forms of the measures of this package, held against them one by one in the tests. A key of a result is
(measure, horizon, end); the end is empty for a measure of the whole course.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np

from retreat.validation import smooth
from retreat.validation._checked import BoolArray, Courses, FloatArray, IntArray
from retreat.validation._logistic import expit
from retreat.validation.recalibration import RARER_PER_COEFFICIENT, Sample
from retreat.validation.samples import Samples

Key = tuple[str, int, str]
Panel = dict[Key, FloatArray]

# measures of one end by one session, in the order of the tables
AT = (
    "observed_expected",
    "in_the_large",
    "slope",
    "intercept",
    "ici",
    "e50",
    "e90",
    "emax",
    "brier_at",
    "scaled_brier_at",
    "concordance_at",
)
DISTANCES = ("ici", "e50", "e90", "emax")
# measures of one end over all sessions, and of the whole course
OVER = ("integrated_brier",)
WHOLE = ("log_score", "rps")
NAMES = (*AT, *OVER, *WHOLE)

_STEPS = 25
_TOLERANCE = 1e-8
# A step of Newton's method squares the error: after one of this size what is left is at rounding in double precision,
# and below that size where single precision stops.
_LAST_STEP, _NEAR = 1e-5, 3e-3


class Predictions:
    """Predicted incidences of courses, with what several samples of them ask worked out once.

    Parameters
    ----------
    incidence : ndarray of float, shape (predictions, cases, ends, sessions)
        Cumulative incidences.
    seen : Courses
        The courses.
    """

    def __init__(self, incidence: FloatArray, seen: Courses) -> None:
        self.incidence, self.seen = incidence, seen
        # caches of this object alone: a class-wide one would keep every prediction alive
        self.at = cache(self._at)
        self.logits = cache(self._logits)
        self.order = cache(self._order)
        self.lost = cache(self._lost)

    def _at(self, end: int, horizon: int) -> FloatArray:
        return np.ascontiguousarray(self.incidence[:, :, end - 1, horizon - 1])

    def _logits(self, end: int, horizon: int) -> tuple[FloatArray, BoolArray]:
        """Logits, 0 where infinite, and where they are."""
        p = self.at(end, horizon)
        certain = (p <= 0.0) | (p >= 1.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            lp = np.log(p / (1.0 - p))
        lp[certain] = 0.0
        return lp, certain

    def _order(self, end: int, horizon: int) -> tuple[IntArray, BoolArray]:
        """Order of the predictions and where a new value starts in it."""
        p = self.at(end, horizon)
        order = np.argsort(p, axis=1)
        risen = _arranged(p, order)
        starts = np.ones(risen.shape, dtype=bool)
        np.not_equal(risen[:, 1:], risen[:, :-1], out=starts[:, 1:])
        return order, starts

    def _lost(self, horizon: int) -> FloatArray:
        """Log chance of what was seen of each course by the horizon, shape (predictions, cases)."""
        ends = range(1, self.incidence.shape[2] + 1)
        until = np.minimum(self.seen.sessions, horizon)
        ended = (self.seen.ending > 0) & (self.seen.sessions <= horizon)
        chance = np.empty(self.incidence.shape[:2])
        for k in range(1, horizon + 1):
            on = np.flatnonzero((until == k) & ~ended)
            chance[:, on] = 1.0 - sum(self.at(end, k)[:, on] for end in ends)
            for end in ends:
                now = np.flatnonzero((until == k) & ended & (self.seen.ending == end))
                chance[:, now] = self.at(end, k)[:, now]
                if k > 1:
                    chance[:, now] -= self.at(end, k - 1)[:, now]
        np.clip(chance, 0.0, 1.0, out=chance)
        with np.errstate(divide="ignore"):
            return np.asarray(np.log(chance, out=chance))


def _arranged(values: FloatArray, order: IntArray) -> FloatArray:
    """Every row of values in its order, one row of either standing for all."""
    if len(values) == 1:
        return np.asarray(values[0].take(order))
    if len(order) == 1:
        return np.asarray(values.take(order[0], axis=1))
    # several times as fast as take_along_axis
    return np.asarray(values.take(order + values.shape[1] * np.arange(len(order))[:, None]))


@np.errstate(invalid="ignore")  # what cannot be told is NaN
def evaluate(
    incidence: FloatArray | Predictions,
    samples: Samples,
    *,
    ends: Sequence[str],
    horizons: Sequence[int],
    measures: Sequence[str] = NAMES,
) -> Panel:
    """Measures of each prediction on the sample of the same number.

    Parameters
    ----------
    incidence : ndarray of float, shape (predictions, cases, ends, sessions), or Predictions
        Predicted cumulative incidences; one prediction may meet many samples and the other way round.
    samples : Samples
        As many samples as predictions, or one, or any number for one prediction.
    ends : sequence of str
        Names of the ends.
    horizons : sequence of int
        Sessions at which measures are taken, none past the last axis.
    measures : sequence of str
        Which, of :data:`NAMES`.

    Returns
    -------
    dict of (str, int, str) to ndarray of float, shape (predictions or samples,)
        NaN where a value cannot be estimated.
    """
    out: Panel = {}
    predictions = incidence if isinstance(incidence, Predictions) else Predictions(incidence, samples.seen)
    for j, end in enumerate(ends):
        for h in horizons:
            for name, values in _at(predictions, samples, j + 1, h, measures).items():
                out[name, h, end] = values
    last = max(horizons)
    if set(measures) & {"integrated_brier", "rps"}:
        briers = np.stack(
            [
                [_brier(predictions.at(j + 1, h), samples, j + 1, h) for h in range(1, last + 1)]
                for j in range(len(ends))
            ]
        )  # (ends, sessions, predictions)
        if "integrated_brier" in measures:
            out |= {("integrated_brier", last, end): briers[j].mean(axis=0) for j, end in enumerate(ends)}
        if "rps" in measures:
            out["rps", last, ""] = briers.sum(axis=(0, 1))
    if "log_score" in measures:
        out["log_score", last, ""] = _log_score(predictions, samples, last)
    return out


def _at(
    predictions: Predictions, samples: Samples, end: int, horizon: int, measures: Sequence[str]
) -> dict[str, FloatArray]:
    found: dict[str, FloatArray] = {}
    p = predictions.at(end, horizon)
    wanted = set(measures)
    observed = samples.observed(horizon)[:, end - 1, -1]
    if "observed_expected" in wanted:
        expected = (samples.weights * p).sum(axis=1) / samples.total
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = observed / expected
        found["observed_expected"] = np.where(expected > 0, ratio, np.nan)
    if wanted & {"in_the_large", "slope", "intercept"}:
        found |= _recalibration(predictions, samples, end, horizon, level="in_the_large" in wanted)
    if wanted & set(DISTANCES):
        found |= _distances(p, samples, end, horizon)
    if wanted & {"brier_at", "scaled_brier_at"}:
        brier = _brier(p, samples, end, horizon)
        found["brier_at"] = brier
        # the Brier score of the Aalen-Johansen incidence F is F (1 - F) exactly
        null = observed * (1.0 - observed)
        with np.errstate(divide="ignore", invalid="ignore"):
            found["scaled_brier_at"] = np.where(null > 0, 1.0 - brier / null, np.nan)
    if "concordance_at" in wanted:
        found["concordance_at"] = _concordance(predictions, samples, end, horizon)
    return {name: found[name] for name in AT if name in wanted and name in found}


def _brier(p: FloatArray, samples: Samples, end: int, horizon: int) -> FloatArray:
    away = p - samples.happened(end, horizon)
    away *= away
    return np.asarray(np.vecdot(samples.weights * samples.known(horizon), away) / samples.total)


def _log_score(predictions: Predictions, samples: Samples, horizon: int) -> FloatArray:
    lost = predictions.lost(horizon)
    # infinite where no chance was given; a case that is not in the sample does not count
    if np.isinf(lost).any():
        lost = np.where(samples.weights > 0, lost, 0.0)
    return np.asarray(-np.vecdot(samples.weights, lost) / samples.total)


def _concordance(predictions: Predictions, samples: Samples, end: int, horizon: int) -> FloatArray:
    """Cumulative/dynamic concordance; controls are all known not to have ended so by the horizon."""
    happened = samples.happened(end, horizon)
    weight = samples.weights * samples.known(horizon)
    order, starts = predictions.order(end, horizon)
    cases = _arranged(weight, order)
    controls = cases * ~happened[order]
    cases -= controls
    upto = np.cumsum(controls, axis=1)
    if starts.all():
        ranked = upto  # of controls below: at a case there is none
    else:
        shape = upto.shape
        starts = np.broadcast_to(starts, shape)
        # controls below a run of equal predictions, carried along the run; sums only rise
        below = np.maximum.accumulate(np.where(starts, upto - controls, 0.0), axis=1)
        ends = np.ones(shape, dtype=bool)
        ends[:, :-1] = starts[:, 1:]
        through = np.minimum.accumulate(np.where(ends, upto, np.inf)[:, ::-1], axis=1)[:, ::-1]
        ranked = 0.5 * (below + through)
    pairs = cases.sum(axis=1) * upto[:, -1]
    # predictions that are not there have an order all the same
    told = (pairs > 0) & np.isfinite(predictions.at(end, horizon)[:, 0])
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(told, np.vecdot(cases, ranked) / pairs, np.nan)


def _recalibration(
    predictions: Predictions, samples: Samples, end: int, horizon: int, *, level: bool
) -> dict[str, FloatArray]:
    """Calibration in the large, slope and intercept by Newton's method on all at once."""
    y = samples.outcome(end, horizon)
    w = samples.weights
    lp, certain = predictions.logits(end, horizon)
    # a prediction that is certain has no logit, unless its case is not in the sample
    sound = ~(certain & (w > 0)).any(axis=1) if certain.any() else np.ones(1, dtype=bool)
    mean = np.vecdot(w, y) / samples.total
    sound = sound & np.isfinite(mean) & (mean > 0) & (mean < 1)
    found = {}
    if level:
        found["in_the_large"] = np.where(sound, _shift(lp, y, w), np.nan)
    spread = np.ptp(lp, axis=1) > 1e-9
    enough = samples.total * np.minimum(mean, 1.0 - mean) >= RARER_PER_COEFFICIENT
    intercept, slope = _line(predictions.at(end, horizon), lp, y, w)
    told = sound & spread & enough
    found["slope"] = np.where(told, slope, np.nan)
    found["intercept"] = np.where(told, intercept, np.nan)
    return found


def _shift(lp: FloatArray, y: FloatArray, w: FloatArray) -> FloatArray:
    shift = np.zeros(max(len(lp), len(w)))
    for _ in range(_STEPS):
        mu = expit(lp + shift[:, None])
        step = (w * (y - mu)).sum(axis=1) / np.clip((w * mu * (1.0 - mu)).sum(axis=1), 1e-300, None)
        step = np.clip(step, -2.0, 2.0)
        shift += step
        if np.abs(step[np.isfinite(step)]).max(initial=0.0) < _TOLERANCE:
            return shift
    shift[~(np.abs(step) < 1e-4)] = np.nan
    return shift


@np.errstate(over="ignore", divide="ignore", invalid="ignore")  # a chance may be 0; a wild step is seen to
def _line(p: FloatArray, lp: FloatArray, y: FloatArray, w: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Intercepts and slopes; NaN where there is no finite one.

    The first step, from 0 and 1, needs no exponential: there the chances are the predictions themselves. Single
    precision takes most rows near their solution, where Newton squares the error; double precision ends.
    """
    wy = w * y
    sums = np.stack(np.broadcast_arrays(wy.sum(axis=1), np.vecdot(wy, lp)))
    x, ws = lp.astype(np.float32), w.astype(np.float32)
    line = np.add([[0.0], [1.0]], np.nan_to_num(_step(p.astype(np.float32), x, ws, sums)))
    _steps(line, sums, x, ws, until=_NEAR, most=8)
    stuck = _steps(line, sums, lp, w, until=_LAST_STEP, most=_STEPS)
    line[:, stuck] = np.nan
    line[:, ~np.isfinite(line).all(axis=0)] = np.nan
    return line[0], line[1]


def _steps(line: FloatArray, sums: FloatArray, lp: Any, w: Any, *, until: float, most: int) -> IntArray:
    """Newton steps of intercepts and slopes (2, rows) in place.

    Rows that have converged leave the batch, those that have not are told.
    """
    kind = lp.dtype
    going = np.arange(line.shape[1])

    def rows(array: Any) -> Any:
        return array if len(array) == 1 or len(going) == len(array) else array[going]

    for _ in range(most):
        x = rows(lp)
        a, b = line[:, going, None].astype(kind)
        mu = -b * x
        mu -= a
        np.exp(mu, out=mu)
        mu += 1.0
        np.reciprocal(mu, out=mu)
        step = _step(mu, x, rows(w), sums[:, going])
        size = np.abs(step).max(axis=0)
        # a wild step is left to double precision
        line[:, going] += np.nan_to_num(step) if kind == np.float32 else step
        going = going[np.isfinite(size) & (size >= until)]
        if not going.size:
            break
    return going


def _step(mu: Any, x: Any, w: Any, sums: FloatArray) -> FloatArray:
    """Newton's steps of intercepts and slopes (2, rows), none beyond 3, from where the chances are mu.

    The sums (2, rows) are those of w y and of w y x, which do not change with the steps.
    """
    expected = w * mu
    g0, g1 = sums[0] - expected.sum(axis=1), sums[1] - np.vecdot(expected, x)
    expected -= expected * mu
    vx = expected * x
    h00, h01, h11 = (h.astype(float) for h in (expected.sum(axis=1), vx.sum(axis=1), np.vecdot(vx, x)))
    step = np.stack([h11 * g0 - h01 * g1, h00 * g1 - h01 * g0]) / (h00 * h11 - h01 * h01)
    return np.asarray(step * (3.0 / np.maximum(np.abs(step).max(axis=0), 3.0)))


def _distances(p: FloatArray, samples: Samples, end: int, horizon: int) -> dict[str, FloatArray]:
    y, w = samples.outcome(end, horizon), samples.weights
    R = max(len(p), len(w))
    found = np.full((4, R), np.nan)
    for r in range(R):
        own = [array[0 if len(array) == 1 else r] for array in (p, y, w)]
        here = own[2] > 0
        sample = Sample(own[0][here], own[1][here], own[2][here], "information")
        smoother = smooth.smooth(sample)
        if smoother is not None:
            found[:, r] = smooth.distances(smoother, sample)
    return dict(zip(DISTANCES, found, strict=True))
