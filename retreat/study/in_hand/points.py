"""A point chart for paper: points an end for each feature, and from the two totals to the chance.

Two ends compete, so that one total cannot tell the chance of relief: an eye likely to stop early is relieved less
often. Each feature therefore has points towards relief and points towards stopping, in one unit; the reader adds up
both and finds the chance where the two totals meet. Nothing is thrown away for it: the chance of the model in hand is
a function of the two totals alone. (Nomograms of one total: Banks 1985, Encyclopedia of Statistical Sciences, from
memory.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.features import Columns
from retreat.model import Model
from retreat.study.in_hand.cases import Features, usual_cases, worked_case
from retreat.study.in_hand.hand import Distance, Hand, distance, hand_of, horizon_of
from retreat.study.in_hand.scales import Component, Scale, components_of, scales_of

FloatArray = NDArray[np.float64]

# points of the longest scale; a millimetre and a half each on a sheet of A4
LONGEST = 100
# contour lines stand this far apart, and a reader tells half of that (our judgement)
CONTOUR_STEP = 0.05
READ_TO = CONTOUR_STEP / 2
# points between rows and columns of the table
ROW_STEP, COLUMN_STEP = 5, 10
_MOST_ENDS = 2
_GRID = 161


@dataclass(frozen=True)
class Example:
    """A case worked out on the chart.

    Parameters
    ----------
    case : dict of str to ndarray, each of shape (1,)
        Its features.
    labels : tuple of str
        Scale of each component, and the value on it.
    points : ndarray of int, shape (components, ends)
        Read to whole points.
    chances : ndarray of float, shape (horizons,)
        Of the first end, from the totals of those points.
    in_hand, averaged : ndarray of float, shape (horizons,)
        The same by the equation, and by the package averaged over draws.
    """

    case: Features
    labels: tuple[str, ...]
    points: NDArray[np.int64]
    chances: FloatArray
    in_hand: FloatArray
    averaged: FloatArray

    @property
    def totals(self) -> NDArray[np.int64]:
        """Total points, shape (ends,)."""
        return np.asarray(self.points.sum(axis=0))


@dataclass(frozen=True)
class Errors:
    """Largest errors of a reading against the equation, as chances, rounded up to a tenth of a percentage point.

    Parameters
    ----------
    rounding : float
        From reading each scale to whole points.
    contours : float
        That, and reading the chance between contour lines to 2.5 percentage points.
    table : float
        That, and taking the nearest row and column of the table.
    usual : float
        Mean error from whole points among cases like those fitted.
    """

    rounding: float
    contours: float
    table: float
    usual: float


@dataclass(frozen=True)
class PointChart:
    """A chart a person can use on paper.

    Parameters
    ----------
    hand : Hand
        The model in hand.
    components : tuple of Component
        Features that go together, each with one reading.
    scales : tuple of Scale
        The scales to read; several for a component with an interaction, of which the reader uses one.
    unit : float
        Linear predictor of one point, the same for all ends.
    base : ndarray of float, shape (ends,)
        Linear predictor of no points, before the session effect.
    longest : ndarray of float, shape (ends,)
        Largest total of each end.
    horizons : tuple of int
        Sessions a chance is told for.
    example : Example
        One case worked out.
    errors : Errors
        Of a reading.
    distance : Distance
        Of the equation from the draw-averaged forecast.
    title : str
        What stands above it.
    cautions : tuple of str
        What must be read first.
    """

    hand: Hand
    components: tuple[Component, ...]
    scales: tuple[Scale, ...]
    unit: float
    base: FloatArray
    longest: FloatArray
    horizons: tuple[int, ...]
    example: Example
    errors: Errors
    distance: Distance
    title: str
    cautions: tuple[str, ...]

    def chance(self, totals: FloatArray) -> FloatArray:
        """Chance of the first end from total points.

        Parameters
        ----------
        totals : ndarray of float, shape (..., ends)
            Total points of each end.

        Returns
        -------
        ndarray of float, shape (..., horizons)
        """
        return _chance(self.hand, self.base, self.unit, self.horizons, totals)

    def points(self, features: Features, n: int) -> FloatArray:
        """Exact points of each component and end, before rounding, shape (cases, components, ends)."""
        return np.stack([one.points(features, n) for one in self.components], axis=1) / self.unit


def point_chart(
    model: Model,
    *,
    horizons: Sequence[int] = (1, 2, 3),
    case: Columns | None = None,
    sessions: int | None = None,
) -> PointChart:
    """Points for each feature and end, and the chance of the first end from the totals.

    Parameters
    ----------
    model : Model
        With one or two ends, one table of session effects, and at least one feature.
    horizons : sequence of int, 1 to 40, rising
        Sessions to tell the chance by; those after the last that enough fitted cases reached are left out.
    case : mapping of str to array_like, optional
        Columns of the case table, one case, to work out; a usual one when not given.
    sessions : int, from 0, optional
        Tell of no later session; see :func:`~retreat.study.in_hand.hand.hand_of`.

    Raises
    ------
    FitError
        If the model failed its gates or its validation, cannot be drawn on paper (no feature, three ends, a table by
        level, two numbers that interact), or an argument is not allowed.
    """
    hand = hand_of(model, sessions)
    _check_drawable(hand)
    shown = _horizons(hand, horizons)
    components = components_of(hand)
    scales = scales_of(model, hand, components)
    spans, lowest = _spans(components, scales)
    if spans.max() <= 0:
        raise FitError(Fault("point chart", "no feature moves any chance", fix="use the equation"))
    unit = float(spans.max()) / LONGEST
    components = tuple(one.from_zero(low) for one, low in zip(components, lowest, strict=True))
    scales = tuple(one.in_points(lowest[one.component], unit) for one in scales)
    base, longest = lowest.sum(axis=0), spans.sum(axis=0) / unit
    worked = worked_case(model, case)
    example = _example(model, hand, components, worked, unit, base, shown)
    return PointChart(
        hand=hand,
        components=components,
        scales=scales,
        unit=unit,
        base=base,
        longest=longest,
        horizons=shown,
        example=example,
        errors=_errors(model, hand, components, unit, base, longest, shown),
        distance=distance(model, hand),
        title=f"Point chart of the model {model.card.name}, {model.model_id}",
        cautions=model.card.cautions,
    )


def table_axes(chart: PointChart) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Totals of the rows (first end) and the columns (other end) of the table; one column 0 for a single end."""
    rows = np.arange(0, ceil(chart.longest[0] / ROW_STEP) + 1) * ROW_STEP
    if len(chart.longest) == 1:
        return rows, np.zeros(1, dtype=np.int64)
    return rows, np.arange(0, ceil(chart.longest[1] / COLUMN_STEP) + 1) * COLUMN_STEP


def _check_drawable(hand: Hand) -> None:
    fix = "use the equation or the coefficient file"
    if not hand.coding.terms:
        raise FitError(Fault("point chart", "the model has no feature terms", "one or more", fix))
    if len(hand.ends) > _MOST_ENDS:
        raise FitError(Fault("point chart", f"{len(hand.ends)} ends", "one or two", fix))
    if hand.strata:
        raise FitError(Fault("point chart", "a table of session effects by level", "one table", fix))
    if np.isneginf(hand.session_effects).any():
        raise FitError(Fault("point chart", "an end that never happens at some session", fix=fix))


def _horizons(hand: Hand, horizons: Sequence[int]) -> tuple[int, ...]:
    asked = tuple(horizons)
    whole = all(isinstance(k, int | np.integer) and not isinstance(k, bool) and 1 <= k <= 40 for k in asked)
    if not asked or not whole or sorted(set(asked)) != list(asked):
        raise FitError(Fault("horizons", f"{asked!r}", "whole numbers from 1 to 40, rising"))
    last = horizon_of(hand, asked[-1])
    return tuple(int(k) for k in asked if k <= last) or (last,)


def _spans(components: Sequence[Component], scales: Sequence[Scale]) -> tuple[FloatArray, FloatArray]:
    """Span and lowest value of each component and end over its scales, both of shape (components, ends)."""
    low, high = [], []
    for place in range(len(components)):
        values = np.concatenate([one.values for one in scales if one.component == place], axis=1)
        low.append(values.min(axis=1))
        high.append(values.max(axis=1))
    return np.array(high) - np.array(low), np.array(low)


def _chance(
    hand: Hand, base: FloatArray, unit: float, horizons: tuple[int, ...], totals: FloatArray
) -> FloatArray:
    flat = np.asarray(totals, dtype=float).reshape(-1, len(base))
    found = hand.incidence(base + unit * flat, horizon=horizons[-1])[:, 0]
    chosen = found[:, [k - 1 for k in horizons]]
    return chosen.reshape(*np.shape(totals)[:-1], len(horizons))


def _example(
    model: Model,
    hand: Hand,
    components: tuple[Component, ...],
    case: Features,
    unit: float,
    base: FloatArray,
    horizons: tuple[int, ...],
) -> Example:
    exact = np.stack([one.points(case, 1)[0] for one in components]) / unit  # (components, ends)
    off = [
        one for one, p in zip(components, exact, strict=True) if (p < -0.5).any() or (p > LONGEST + 0.5).any()
    ]
    if off:
        fix = "take a value that nearly all fitted cases lie around, or use the equation"
        raise FitError([Fault("case", f"{one.value_words(case)} lies off the chart", fix=fix) for one in off])
    whole = np.rint(exact).astype(np.int64)
    chosen = [k - 1 for k in horizons]
    return Example(
        case=case,
        labels=tuple(one.value_words(case) for one in components),
        points=whole,
        chances=_chance(hand, base, unit, horizons, whole.sum(axis=0).astype(float)),
        in_hand=hand.incidence(hand.totals(case, 1), horizon=horizons[-1])[0, 0, chosen],
        averaged=model.expected_of(case, horizon=horizons[-1], n=1)[0, 0, chosen],
    )


def _errors(
    model: Model,
    hand: Hand,
    components: tuple[Component, ...],
    unit: float,
    base: FloatArray,
    longest: FloatArray,
    horizons: tuple[int, ...],
) -> Errors:
    half = np.full(len(base), 0.5 * len(components))
    steps = np.array([ROW_STEP, COLUMN_STEP], dtype=float)[: len(base)] / 2
    rounding = _largest(hand, unit, base, longest, horizons, half)
    coarse = _largest(hand, unit, base, longest, horizons, half + steps)
    features, weights = usual_cases(model)
    exact = np.stack([one.points(features, len(weights)) for one in components], axis=1) / unit
    off = _chance(hand, base, unit, horizons, np.rint(exact).sum(axis=1)) - _chance(
        hand, base, unit, horizons, exact.sum(axis=1)
    )
    # the table prints whole percentages, so that half of one comes on top
    return Errors(
        _up(rounding),
        _up(rounding + READ_TO / 2),
        _up(coarse + 0.005),
        float((weights @ np.abs(off)).max()),
    )


def _largest(
    hand: Hand,
    unit: float,
    base: FloatArray,
    longest: FloatArray,
    horizons: tuple[int, ...],
    off: FloatArray,
) -> float:
    """Largest change of the chance when each total is off by so many points, over all totals of the chart.

    The chance of the first end rises with its own total and falls with the other's, so that both off in opposite
    directions is the worst.
    """
    axes = [np.linspace(0.0, top, _GRID) for top in longest]
    totals = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    worst = off * np.array([1.0, -1.0])[: len(off)]
    here = _chance(hand, base, unit, horizons, totals)
    return max(
        float(np.abs(_chance(hand, base, unit, horizons, totals + sign * worst) - here).max())
        for sign in (1, -1)
    )


def _up(error: float) -> float:
    """Rounded up to a tenth of a percentage point, past what a grid may miss between its points."""
    return ceil(1000 * error + 0.1) / 1000
