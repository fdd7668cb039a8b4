"""How few cases stand behind an effect: what a small count would be worked out from.

The squared standard error of a level's log odds ratio less one over the ends at the reference is about one over the
ends at the level: an effect of a rare level tells the count that a table hides.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.coding import Term
from retreat.study.effects.analysis import Analysed
from retreat.study.effects.comparisons import Comparison, held_where_it_matters
from retreat.study.effects.curves import Curve
from retreat.study.effects.gradients import Measure
from retreat.study.effects.joint import tested

IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Fewest:
    """Least of the cases, those that ended so and those that did not, of whatever an effect rests on.

    Parameters
    ----------
    whole : ndarray of int, shape (ends,)
        Of all cases.
    levels : mapping of (feature, level) to ndarray of int, shape (ends,)
        Of the cases at a level. Of the levels that are not the reference the one with second fewest counts as the one
        with fewest: with that one alone left out, totals would give it back.
    pairs : mapping of (feature, feature) to ndarray of int, shape (ends,)
        Of the cells of two categories that interact.
    """

    whole: IntArray
    levels: Mapping[tuple[str, str], IntArray]
    pairs: Mapping[tuple[str, str], IntArray]

    def of_features(self, names: Sequence[str]) -> IntArray:
        """Of all levels that some case has of features, shape (ends,)."""
        return self._least(
            [n for (name, _), n in self.levels.items() if name in names]
            + [n for pair, n in self.pairs.items() if set(pair) & set(names)]
        )

    def of_values(self, values: Sequence[tuple[str, Any]]) -> IntArray:
        """Of values told of features, shape (ends,); a number rests on all cases."""
        none = np.zeros_like(self.whole)
        names = {name for name, _ in values}
        return self._least(
            [self.levels.get((name, value), none) for name, value in values if isinstance(value, str)]
            + [n for pair, n in self.pairs.items() if set(pair) & names]
        )

    def _least(self, found: Sequence[IntArray]) -> IntArray:
        return np.asarray(np.minimum.reduce([self.whole, *found]))


def fewest_of(cases: Analysed) -> Fewest:
    """Count the cases behind each level.

    Parameters
    ----------
    cases : Analysed
        The cases; a case with a gap in a feature counts at none of its levels.
    """
    ending = cases.first.ending
    ends = range(cases.first.n_ends)

    def least(where: NDArray[np.bool_]) -> IntArray:
        n, ended = int(where.sum()), [int((where & (ending == j + 1)).sum()) for j in ends]
        return np.array([min(n, d, n - d) for d in ended], dtype=np.int64)

    terms = {t.features[0]: t for t in cases.coding.terms if t.form == "category"}
    levels: dict[tuple[str, str], IntArray] = {}
    for name, term in terms.items():
        levels |= _with_second({(name, k): least(cases.seen[name] == k) for k in _had(cases, term)}, term)
    pairs = {}
    for joined in cases.coding.terms:
        if joined.form == "interaction" and all(name in terms for name in joined.features):
            one, other = joined.features
            cells = [
                (cases.seen[one] == a) & (cases.seen[other] == b)
                for a in _had(cases, terms[one])
                for b in _had(cases, terms[other])
            ]
            pairs[(one, other)] = np.minimum.reduce([least(cell) for cell in cells if cell.any()])
    return Fewest(least(np.ones(len(ending), dtype=bool)), levels, pairs)


def behind_columns(cases: Analysed, fewest: Fewest) -> IntArray:
    """Of the rows of a table of coefficients."""
    per_column = np.zeros((len(cases.coding.names), len(fewest.whole)), dtype=np.int64)
    for place, term in enumerate(cases.coding.terms):
        own, name = cases.coding.columns_of(place), term.features[0]
        if term.form == "interaction":
            per_column[own] = fewest.of_features(term.features)
        elif term.form == "category":
            others = [level for level in term.levels if level != term.reference]
            for column, level in zip(own, others, strict=True):
                per_column[column] = fewest.of_values([(name, level), (name, term.reference)])
        else:
            per_column[own] = _of_comparison(cases, fewest, Comparison(name, 1.0, 0.0))
    return np.concatenate([per_column[:, j] for j in cases.known_ends])


def behind_ratios(cases: Analysed, fewest: Fewest, comparisons: Sequence[Comparison]) -> IntArray:
    """Of the rows of a table of ratios."""
    found = np.stack([_of_comparison(cases, fewest, one) for one in comparisons])
    return np.concatenate([found[:, j] for j in cases.known_ends])


def behind_joint(cases: Analysed, fewest: Fewest) -> IntArray:
    """Of the rows of a table of joint tests."""
    rows = []
    for _, _, columns in tested(cases.coding):
        terms = {cases.coding.term_of_column[column] for column in columns}
        found = fewest.of_features([name for t in terms for name in cases.coding.terms[t].features])
        each = [int(found[j]) for j in cases.known_ends]
        rows += [*each, min(each)] if len(each) > 1 else each
    return np.array(rows, dtype=np.int64)


def behind_curves(cases: Analysed, fewest: Fewest, curves: Sequence[Curve]) -> IntArray:
    """Of the rows of a table of curves."""
    rows: list[int] = []
    for curve in curves:
        found = np.minimum.reduce([_of_comparison(cases, fewest, one) for one in curve.comparisons])
        for j in cases.known_ends:
            rows += [int(found[j])] * len(curve.at)
    return np.array(rows, dtype=np.int64)


def behind_averages(
    cases: Analysed, fewest: Fewest, comparisons: Sequence[Comparison], measures: Sequence[Measure]
) -> IntArray:
    """Of the rows of a table of averages; a number of sessions rests on every end."""
    rows = []
    for one in comparisons:
        told = [(one.feature, one.value), (one.feature, one.against), *one.held.items()]
        found = fewest.of_values(told)
        known = found[list(cases.known_ends)].min()
        rows += [int(known if m.kind == "sessions" else found[m.end]) for m in measures]
    return np.array(rows, dtype=np.int64)


def _of_comparison(cases: Analysed, fewest: Fewest, one: Comparison) -> IntArray:
    held = held_where_it_matters(cases, one)
    return fewest.of_values([(one.feature, one.value), (one.feature, one.against), *held.items()])


def _had(cases: Analysed, term: Term) -> list[str]:
    return [level for level in term.levels if (cases.seen[term.features[0]] == level).any()]


def _with_second(found: dict[tuple[str, str], IntArray], term: Term) -> dict[tuple[str, str], IntArray]:
    """The same with the second fewest of the levels beside the reference as few as the fewest, end by end."""
    others = [key for key in found if key[1] != term.reference]
    if len(others) > 1:
        counts = np.stack([found[key] for key in others])  # (levels, ends)
        order = np.argsort(counts, axis=0, kind="stable")
        every = np.arange(counts.shape[1])
        counts[order[1], every] = counts[order[0], every]
        found = found | dict(zip(others, counts, strict=True))
    return found
