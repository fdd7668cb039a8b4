"""Which comparisons make a curve: of a feature over its values, or of one over another it interacts with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from retreat.errors import Fault, FitError
from retreat.study.effects.analysis import Analysed
from retreat.study.effects.comparisons import (
    Comparison,
    Value,
    check_comparisons,
    default_comparisons,
    held_where_it_matters,
    held_words,
    known,
    typical,
    value_fault,
)

_POINTS = 41
# ends of a curve: a few eyes beyond would draw most of it
_MIDDLE = (0.05, 0.95)


@dataclass(frozen=True)
class Curve:
    """Ratios over the values of a number.

    Parameters
    ----------
    label : str
        What against what.
    over : str
        The feature along the curve.
    at : tuple of float
        Its values.
    comparisons : tuple of Comparison
        One a value; where it is held against itself the ratio is 1.
    """

    label: str
    over: str
    at: tuple[float, ...]
    comparisons: tuple[Comparison, ...]


def own_curve(
    cases: Analysed,
    feature: str,
    *,
    against: float | None = None,
    held: Mapping[str, Value] | None = None,
    at: Sequence[float] | None = None,
) -> Curve:
    """Ratio of a number against one of its values, over its values.

    Parameters
    ----------
    cases : Analysed
        The cases.
    feature : str
        A feature of the definition that is a number.
    against : float, optional
        Value with ratio 1 (default: the median of the cases).
    held : mapping of str to str or float, optional
        As for :class:`Comparison`.
    at : sequence of float, optional
        Values along the curve (default: 41 from the 5th to the 95th of 100 cases).

    Raises
    ------
    FitError
        If a feature or value is not allowed.
    """
    start = typical(cases).get(feature, np.nan) if against is None else against
    fixed = dict(held or {})
    points = _points(cases, feature, at)
    _check(cases, feature, start, fixed)
    where = held_words(held_where_it_matters(cases, Comparison(feature, start, start, fixed)))
    return Curve(
        f"{feature} against {start:g}" + (f" ({where})" if where else ""),
        feature,
        points,
        tuple(Comparison(feature, x, start, fixed) for x in points),
    )


def curve_over(
    cases: Analysed, comparison: Comparison, over: str, *, at: Sequence[float] | None = None
) -> Curve:
    """Ratio of a comparison over the values of another feature, such as corneal surgery over depth.

    Parameters
    ----------
    cases : Analysed
        The cases.
    comparison : Comparison
        What against what.
    over : str
        A feature that is a number; without an interaction the curve is flat.
    at : sequence of float, optional
        As for :func:`own_curve`.

    Raises
    ------
    FitError
        If a feature or value is not allowed.
    """
    points = _points(cases, over, at)
    along = tuple(
        Comparison(comparison.feature, comparison.value, comparison.against, {**comparison.held, over: x})
        for x in points
    )
    check_comparisons(cases, along)
    return Curve(f"{comparison} over {over}", over, points, along)


def default_curves(cases: Analysed) -> tuple[Curve, ...]:
    """Each number over its values, and each interaction with a number over it."""
    numbers = [t.features[0] for t in cases.coding.terms if t.form not in ("category", "interaction")]
    found = [own_curve(cases, name) for name in numbers if len(set(_points(cases, name, None))) > 1]
    for term in cases.coding.terms:
        if term.form != "interaction":
            continue
        left, right = term.features
        # a category is drawn over a number; two categories make no curve
        one, over = (left, right) if right in numbers else (right, left)
        if over in numbers:
            found += [curve_over(cases, c, over) for c in default_comparisons(cases) if c.feature == one]
    return tuple(found)


def _check(cases: Analysed, feature: str, start: Value, held: Mapping[str, Value]) -> None:
    faults = [value_fault(cases, name, value) for name, value in ((feature, start), *held.items())]
    found = [fault for fault in faults if fault]
    if feature in held:
        found.append(Fault(feature, "along the curve and held at once", "one of the two"))
    if found:
        raise FitError(found)


def _points(cases: Analysed, feature: str, at: Sequence[float] | None) -> tuple[float, ...]:
    numbers = [t.features[0] for t in cases.coding.terms if t.form not in ("category", "interaction")]
    if feature not in numbers:
        raise FitError(
            Fault("over", f"{feature!r} is no number of the definition", ", ".join(map(repr, numbers)))
        )
    if at is None:
        low, high = np.quantile(known(cases, feature), _MIDDLE)
        return tuple(float(x) for x in np.linspace(low, high, _POINTS))
    faults = [fault for x in at if (fault := value_fault(cases, feature, x))]
    if faults or not len(at):
        raise FitError(faults or [Fault("at", "no values", "at least one")])
    return tuple(float(x) for x in at)
