"""Scales of a point chart: features that interact go together, one scale for each setting of their categories."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.coding import Coding
from retreat.errors import Fault, FitError
from retreat.features import FEATURES
from retreat.model import Model
from retreat.study.in_hand.cases import Features, value_words
from retreat.study.in_hand.hand import Hand

FloatArray = NDArray[np.float64]

_FINE = 201
_TICKS = 9
# ticks of a number that enters by its log
_LOG_TICKS = tuple(m * 10.0**e for e in range(-2, 3) for m in (1, 1.5, 2, 3, 4, 5, 6, 8))


@dataclass(frozen=True)
class Component:
    """Features that interact with each other, directly or through others; mostly one alone.

    Parameters
    ----------
    categories : tuple of str
        Categories among them.
    number : str
        The number among them; empty for none.
    columns : tuple of int
        Coded columns made of them alone.
    coding : Coding
        Of the model.
    coefficients : ndarray of float, shape (ends, columns of the component)
        Of those columns.
    lowest : ndarray of float, shape (ends,)
        What is taken off, so that points start at 0.
    """

    categories: tuple[str, ...]
    number: str
    columns: tuple[int, ...]
    coding: Coding
    coefficients: FloatArray
    lowest: FloatArray

    @property
    def features(self) -> tuple[str, ...]:
        """All of them."""
        return (*self.categories, *((self.number,) if self.number else ()))

    def points(self, features: Features, n: int) -> FloatArray:
        """What they add to each linear predictor, from 0, shape (cases, ends); in the unit of that predictor."""
        filled = {name: features.get(name, _anything(self.coding, name, n)) for name in self.coding.features}
        block = self.coding.encode(filled, n_cases=n)[:, list(self.columns)]
        return block @ self.coefficients.T - self.lowest

    def from_zero(self, lowest: FloatArray) -> Component:
        """The same with so much taken off."""
        return replace(self, lowest=lowest)

    def value_words(self, case: Features) -> str:
        """The values of one case."""
        return ", ".join(f"{name} {value_words(case[name][0])}" for name in self.features)


@dataclass(frozen=True)
class Scale:
    """One scale to read points from.

    Parameters
    ----------
    component : int
        Position of its component.
    label : str
        Feature, unit, and the setting of other features it holds for.
    marks : tuple of str
        What stands at each mark.
    at : tuple of int
        Position of each mark in `values`.
    values : ndarray of float, shape (ends, positions)
        Points along the scale; between the marks of a number there are further positions, of categories none.
    positions : ndarray of float, shape (positions,)
        The number at each; empty for categories.
    continuous : bool
        Whether what lies between two marks can be read.
    """

    component: int
    label: str
    marks: tuple[str, ...]
    at: tuple[int, ...]
    values: FloatArray
    positions: FloatArray
    continuous: bool

    def in_points(self, lowest: FloatArray, unit: float) -> Scale:
        """The same in points from 0."""
        return replace(self, values=(self.values - lowest[:, None]) / unit)

    def runs(self, end: int) -> list[tuple[int, int]]:
        """Stretches along which the points of an end only rise or only fall: first and last position of each.

        A spline may turn back upon itself; on paper each stretch is a scale of its own.
        """
        values = self.values[end]
        if not self.continuous:
            return [(0, len(values) - 1)]
        steps = np.diff(values)
        signs = np.sign(np.where(np.abs(steps) < 1e-12, 0.0, steps))
        turns, last = [0], 0.0
        for place, sign in enumerate(signs):
            if sign and last and sign != last:
                turns.append(place)
            last = sign or last
        return list(zip(turns, [*turns[1:], len(values) - 1], strict=True))


def components_of(hand: Hand) -> tuple[Component, ...]:
    """Features that go together, in the order of the model.

    Raises
    ------
    FitError
        If two numbers interact: no scale of one shows what depends on the other.
    """
    coding = hand.coding
    groups: list[set[str]] = []
    for term in coding.terms:
        joined = [group for group in groups if group & set(term.features)]
        groups = [group for group in groups if group not in joined]
        groups.append(set(term.features).union(*joined))
    order = {name: place for place, name in enumerate(coding.features)}
    groups.sort(key=lambda group: min(order[name] for name in group))
    return tuple(_component(hand, sorted(group, key=order.__getitem__)) for group in groups)


def scales_of(model: Model, hand: Hand, components: Sequence[Component]) -> tuple[Scale, ...]:
    """Scales of all components, in the unit of the linear predictor.

    Levels no fitted case had are left out, and numbers span what nearly all fitted cases had.
    """
    found: list[Scale] = []
    for place, one in enumerate(components):
        settings = [[(name, level) for level in _levels(model, hand, name)] for name in one.categories]
        combinations = list(product(*settings))
        if one.number:
            found += [_number_scale(model, one, place, combination) for combination in combinations]
        else:
            found.append(_category_scale(one, place, combinations))
    return tuple(found)


def _component(hand: Hand, names: list[str]) -> Component:
    coding = hand.coding
    numbers = [name for name in names if FEATURES[name].kind == "number"]
    if len(numbers) > 1:
        what = f"{' and '.join(numbers)} interact"
        fix = "use the equation or the coefficient file"
        raise FitError(Fault("point chart", what, "at most one number among features that interact", fix))
    columns = tuple(
        column
        for column, term in enumerate(coding.term_of_column)
        if set(coding.terms[term].features) <= set(names)
    )
    return Component(
        categories=tuple(name for name in names if name not in numbers),
        number=numbers[0] if numbers else "",
        columns=columns,
        coding=coding,
        coefficients=hand.coefficients[:, list(columns)],
        lowest=np.zeros(len(hand.ends)),
    )


def _category_scale(one: Component, place: int, combinations: list[tuple[tuple[str, str], ...]]) -> Scale:
    values = np.concatenate([one.points(_set(setting, 1), 1) for setting in combinations])
    marks = tuple(", ".join(level for _, level in setting) for setting in combinations)
    label = ", ".join(one.categories)
    return Scale(place, label, marks, tuple(range(len(marks))), values.T, np.empty(0), continuous=False)


def _number_scale(model: Model, one: Component, place: int, setting: tuple[tuple[str, str], ...]) -> Scale:
    low, high = _range(model, one.number)
    ticks = _ticks(low, high, logged=_logged(one.coding, one.number))
    positions = np.union1d(np.linspace(low, high, _FINE), ticks)
    n = len(positions)
    values = one.points({**_set(setting, n), one.number: positions}, n)
    unit = f" ({FEATURES[one.number].unit})" if FEATURES[one.number].unit else ""
    where = "".join(f", {name} {level}" for name, level in setting)
    return Scale(
        place,
        f"{one.number}{unit}{where}",
        tuple(f"{tick:g}" for tick in ticks),
        tuple(int(np.searchsorted(positions, tick)) for tick in ticks),
        values.T,
        positions,
        continuous=True,
    )


def _set(setting: Sequence[tuple[str, str]], n: int) -> Features:
    return {name: np.repeat(np.array([level], dtype=object), n) for name, level in setting}


def _anything(coding: Coding, name: str, n: int) -> NDArray[Any]:
    """Values of a feature whose columns are not looked at."""
    term = next(term for term in coding.terms if term.features == (name,))
    if term.form == "category":
        return np.repeat(np.array([term.reference], dtype=object), n)
    return np.repeat(term.centre if term.form != "log" else 1.0, n)


def _levels(model: Model, hand: Hand, name: str) -> list[str]:
    term = next(term for term in hand.coding.terms if term.features == (name,))
    seen = model.support.levels.get(name, {})
    return [level for level in term.levels if not seen or level in seen]


def _range(model: Model, name: str) -> tuple[float, float]:
    seen, feature = model.support.ranges.get(name), FEATURES[name]
    # every number of the catalogue has a range
    least, most = float(feature.low or 0.0), float(feature.high or 0.0)
    return (least, most) if seen is None else (max(seen.low, least), min(seen.high, most))


def _logged(coding: Coding, name: str) -> bool:
    return any(term.features == (name,) and term.form == "log" for term in coding.terms)


def _ticks(low: float, high: float, *, logged: bool) -> FloatArray:
    if logged:
        inside = [tick for tick in _LOG_TICKS if low <= tick <= high]
        if len(inside) > 1:
            return np.array(inside)
    step = (high - low) / _TICKS
    power = 10.0 ** np.floor(np.log10(step))
    step = power * next(m for m in (1.0, 2.0, 2.5, 5.0, 10.0) if m * power >= step * (1 - 1e-9))
    ticks = np.arange(np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9) + 1) * step
    return np.asarray(np.clip(np.round(ticks, 10), low, high) + 0.0)  # no minus before a 0
