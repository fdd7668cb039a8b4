"""Two values of a feature held against each other, other features held where they are told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.coding import Term
from retreat.errors import Fault, FitError
from retreat.features import FEATURES
from retreat.model.completion import is_missing
from retreat.study.effects.analysis import Analysed

FloatArray = NDArray[np.float64]
Value = str | float


@dataclass(frozen=True)
class Comparison:
    """One value of a feature against another.

    Parameters
    ----------
    feature : str
        A feature of the definition.
    value, against : str or float
        The two values; numbers in the feature's unit.
    held : mapping of str to str or float
        Values of other features. For a ratio they matter where the feature interacts with them; what is not told is
        held at the reference level, or the median of the cases. For an average they are set in every case.

    Examples
    --------
    >>> print(Comparison("size_mm", 4.0, 1.0, {"opacity": "sheet"}))
    size_mm 4 against 1 (opacity sheet)
    """

    feature: str
    value: Value
    against: Value
    held: Mapping[str, Value] = field(default_factory=dict)

    def __str__(self) -> str:
        """In words."""
        where = held_words(self.held)
        return f"{self.feature} {_shown(self.value)} against {_shown(self.against)}{f' ({where})' if where else ''}"


def held_words(held: Mapping[str, Value]) -> str:
    """What other features are held at, in words; empty for nothing."""
    return ", ".join(f"{name} {_shown(value)}" for name, value in held.items())


def check_comparisons(cases: Analysed, comparisons: Sequence[Comparison]) -> None:
    """Refuse features that the definition has not, and values that no case could have.

    Raises
    ------
    FitError
        With one fault for each.
    """
    faults: dict[Fault, None] = {}
    for one in comparisons:
        for name, value in ((one.feature, one.value), (one.feature, one.against), *one.held.items()):
            if fault := value_fault(cases, name, value):
                faults[fault] = None
        if one.value == one.against:
            faults[Fault(one.feature, f"{_shown(one.value)} against itself", "two values")] = None
        if one.feature in one.held:
            faults[Fault(one.feature, "compared and held at once", "one of the two")] = None
    if faults:
        raise FitError(faults)


def value_fault(cases: Analysed, name: str, value: object) -> Fault | None:
    """What is wrong with a value of a feature; None where nothing is."""
    terms = _own_terms(cases)
    if name not in terms:
        return Fault(
            "feature", f"{name!r} is none of {cases.definition.name}", ", ".join(map(repr, sorted(terms)))
        )
    term = terms[name]
    if term.form == "category":
        levels = ", ".join(map(repr, term.levels))
        return None if value in term.levels else Fault(name, f"{value!r}", levels)
    known = FEATURES.get(name)
    low, high = (known.low, known.high) if known else (None, None)
    number = isinstance(value, int | float | np.number) and not isinstance(value, bool) and np.isfinite(value)
    if not number or (low is not None and not low <= float(value) <= (np.inf if high is None else high)):  # type: ignore[arg-type]
        return Fault(name, f"{value!r}", "a number" if low is None else f"a number from {low:g} to {high:g}")
    return None


def encoded_differences(cases: Analysed, comparisons: Sequence[Comparison]) -> FloatArray:
    """Coded columns of the first value less those of the second, shape (comparisons, columns)."""
    n = len(comparisons)
    held = [typical(cases) | dict(one.held) for one in comparisons]
    coded = []
    for values in ([one.value for one in comparisons], [one.against for one in comparisons]):
        profiles = [{**at, one.feature: v} for at, one, v in zip(held, comparisons, values, strict=True)]
        columns = {name: _array(cases, name, [p[name] for p in profiles]) for name in cases.coding.features}
        coded.append(cases.coding.encode(columns, n_cases=n))
    return np.asarray(coded[0] - coded[1])


def set_in_all(cases: Analysed, features: Mapping[str, NDArray[Any]], values: Mapping[str, Value]) -> Any:
    """Features of all cases with some set to one value."""
    n = len(cases.first.sessions)
    return {**features, **{name: _array(cases, name, [value] * n) for name, value in values.items()}}


def typical(cases: Analysed) -> dict[str, Value]:
    """Reference level of each category, median of each number."""
    return {
        name: term.reference if term.form == "category" else _rounded(float(np.median(known(cases, name))))
        for name, term in _own_terms(cases).items()
    }


def default_comparisons(cases: Analysed) -> tuple[Comparison, ...]:
    """Each level against the reference, a doubling of what enters by its log, the upper quartile against the lower."""
    found: list[Comparison] = []
    for name, term in _own_terms(cases).items():
        seen = known(cases, name)
        if term.form == "category":
            found += [
                Comparison(name, level, term.reference)
                for level in term.levels
                if level != term.reference and (seen == level).any()
            ]
        elif term.form == "log":
            found.append(Comparison(name, 2.0 * term.centre, term.centre))
        else:
            low, high = (_rounded(float(q)) for q in np.quantile(seen, (0.25, 0.75)))
            if low < high:
                found.append(Comparison(name, high, low))
    return tuple(found)


def beyond(cases: Analysed, comparison: Comparison) -> bool:
    """Whether a value lies outside what nearly all cases have (1st to 99th of 100), or is a level none has."""
    told = ((comparison.feature, comparison.value), (comparison.feature, comparison.against))
    return any(_is_beyond(cases, name, value) for name, value in (*told, *comparison.held.items()))


def known(cases: Analysed, name: str) -> NDArray[Any]:
    """Values of a feature that were seen."""
    values = cases.seen[name]
    return np.asarray(values[~is_missing(values)])


def held_where_it_matters(cases: Analysed, comparison: Comparison) -> dict[str, Value]:
    """What other features are held at for a ratio, those told and those that interact with the feature."""
    feature = comparison.feature
    joined = [t.features for t in cases.coding.terms if t.form == "interaction" and feature in t.features]
    usual = typical(cases)
    interacting = {name: usual[name] for pair in joined for name in pair if name != feature}
    return {**interacting, **comparison.held}


def _is_beyond(cases: Analysed, name: str, value: Value) -> bool:
    seen = known(cases, name)
    if isinstance(value, str):
        return not (seen == value).any()
    low, high = np.quantile(seen, (0.01, 0.99))
    return not low <= value <= high


def _own_terms(cases: Analysed) -> dict[str, Term]:
    """The term of each feature by itself."""
    return {term.features[0]: term for term in cases.coding.terms if term.form != "interaction"}


def _array(cases: Analysed, name: str, values: Sequence[Value]) -> NDArray[Any]:
    return np.array(values, dtype=object if _own_terms(cases)[name].form == "category" else float)


def _rounded(value: float) -> float:
    """To two digits that count, so that a table says 0.45 and not the value of one eye."""
    return float(f"{value:.2g}")


def _shown(value: Value) -> str:
    return value if isinstance(value, str) else f"{value:.4g}"
