"""Case mix: the spread of each feature among the fitted cases, kept so that a missing one can be averaged over."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Features = Mapping[str, NDArray[Any]]

# quantiles kept of a numeric feature: the middles of 20 equal shares
_SHARES = (np.arange(20) + 0.5) / 20
# cases at or beyond the outermost quantile: of few cases it would lie between the two largest values, or tell one
_LEAST_BEYOND = 5
# cases of a level are rounded to a multiple of this before shares are taken: with the number of cases known,
# an exact share would give a small count away
_ROUND_TO = 5
# fewest cases of a level of the pivot for a mix of its own (our judgement: twenty quantiles of fewer are noise)
_LEAST_OF_LEVEL = 30
# a level of the pivot keeps this share of its chance whatever else is known: a mix tells nothing for sure
_LEAST_LIKELIHOOD = 1e-3


@dataclass(frozen=True)
class CaseMix:
    """Distribution of each feature among the fitted cases, one feature at a time, within levels of a pivot.

    Features go together: sheets are large, rings small. They are taken as independent of each other within a
    level of the pivot (the kind of opacity), so that what is known of a case tells of what is not.

    Parameters
    ----------
    levels : mapping of str to mapping of str to float
        Share of each level of a categorical feature, counts rounded to the nearest five.
    quantiles : mapping of str to tuple of float
        Twenty evenly spaced quantiles of a numeric feature, none of them beyond the fifth smallest or largest value.
    pivot : str
        The categorical feature; empty for none.
    within : mapping of str to CaseMix
        The mix of each level of the pivot that at least 30 cases have.

    Examples
    --------
    >>> mix = learn({"lens": np.array(["natural"] * 14 + ["monofocal"] * 4 + [None], dtype=object)})
    >>> mix.levels["lens"]
    {'monofocal': 0.25, 'natural': 0.75}
    """

    levels: Mapping[str, Mapping[str, float]]
    quantiles: Mapping[str, tuple[float, ...]]
    pivot: str = ""
    within: Mapping[str, CaseMix] = field(default_factory=dict)

    def likelihood(self, feature: str, value: Any) -> float:
        """How likely a value is in this mix: the share of a level, or the smoothed density of a number."""
        if feature in self.levels:
            return self.levels[feature].get(str(value), 0.0)
        if feature not in self.quantiles:
            return 1.0
        points = np.array(self.quantiles[feature])
        quarter = np.subtract(*np.interp((0.75, 0.25), _SHARES, points)) / 1.34
        # Silverman's rule of thumb (Silverman 1986, from memory) on the quantiles as a sample
        width = max(0.9 * min(points.std(), quarter or points.std()) * len(points) ** -0.2, 1e-9)
        return float(np.exp(-0.5 * ((value - points) / width) ** 2).mean() / width)

    def of_level(self, level: str) -> CaseMix:
        """The mix of a level of the pivot; this one where the level has none of its own."""
        return self.within.get(level, self)

    def level_weights(self, levels: NDArray[Any], known: Mapping[str, Any]) -> NDArray[np.float64]:
        """How much more or less likely each of these levels of the pivot is by what else is known of a case."""
        told = {}
        for level in dict.fromkeys(levels.tolist()):
            mix = self.of_level(level)
            told[level] = float(np.prod([mix.likelihood(name, value) for name, value in known.items()]))
        most = max(told.values(), default=1.0)
        return np.array([max(told[level] / most if most > 0 else 1.0, _LEAST_LIKELIHOOD) for level in levels])

    def completions(
        self, feature: str, n: int, rng: np.random.Generator
    ) -> tuple[NDArray[Any], NDArray[np.float64]]:
        """Values of a feature spread as among the fitted cases, in random order, with their weights.

        Stratified: the n values stand for n shares of the distribution. The shares of a number are equal;
        those of levels are weighted so that each level has its own share and not the nearest n-th.

        Returns
        -------
        ndarray, shape (n,)
            Values.
        ndarray of float, shape (n,)
            Weights, adding to 1.

        Raises
        ------
        KeyError
            If the feature was missing in every fitted case.
        """
        points = (rng.permutation(n) + 0.5) / n
        if feature not in self.levels:
            return np.interp(points, _SHARES, self.quantiles[feature]), np.full(n, 1.0 / n)
        names = np.array(list(self.levels[feature]), dtype=object)
        shares = np.array(list(self.levels[feature].values()))
        chosen = np.minimum(np.searchsorted(np.cumsum(shares), points), len(names) - 1)
        weights = shares[chosen] / np.bincount(chosen, minlength=len(names))[chosen]
        return names[chosen], weights / weights.sum()

    def to_json(self) -> dict[str, Any]:
        """Plain lists and numbers; :meth:`from_json` is the inverse."""
        return {
            "levels": {f: dict(shares) for f, shares in self.levels.items()},
            "quantiles": {f: list(q) for f, q in self.quantiles.items()},
            "pivot": self.pivot,
            "within": {level: mix.to_json() for level, mix in self.within.items()},
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> CaseMix:
        """Rebuild a case mix from :meth:`to_json`."""
        return cls(
            {str(f): {str(k): float(v) for k, v in s.items()} for f, s in data["levels"].items()},
            {str(f): tuple(float(v) for v in q) for f, q in data["quantiles"].items()},
            str(data["pivot"]),
            {str(level): cls.from_json(mix) for level, mix in data["within"].items()},
        )


def learn(features: Features, pivot: str = "") -> CaseMix:
    """Case mix of these cases; missing values (None, NaN) are left out.

    Parameters
    ----------
    features : mapping of str to ndarray, each of shape (cases,)
        Object arrays of text for categories, float arrays for numbers.
    pivot : str
        The categorical feature within whose levels the others are taken as independent; passed over where
        it is none of these features.
    """
    within: dict[str, CaseMix] = {}
    if pivot in features:
        for level in sorted({v for v in features[pivot] if v is not None}):
            rows = np.array([v == level for v in features[pivot]])
            if rows.sum() >= _LEAST_OF_LEVEL:
                within[level] = learn({f: v[rows] for f, v in features.items() if f != pivot})
    levels: dict[str, dict[str, float]] = {}
    quantiles: dict[str, tuple[float, ...]] = {}
    for name, values in features.items():
        if values.dtype == object:
            levels[name] = _shares([v for v in values if v is not None])
        elif np.isfinite(values).any():
            quantiles[name] = _quantiles(values[np.isfinite(values)])
    kept = {f: s for f, s in levels.items() if s}
    return CaseMix(kept, quantiles, pivot if pivot in features else "", within)


def described(
    shares: Mapping[str, float],
    within: Mapping[str, tuple[Mapping[str, tuple[float, float, float]], Mapping[str, Mapping[str, float]]]],
    pivot: str,
) -> CaseMix:
    """Case mix without cases, from a few numbers of each level of a pivot.

    Parameters
    ----------
    shares : mapping of str to float
        Share of each level of the pivot, adding to 1.
    within : mapping of str to pair of mappings
        For each level of the pivot: of each number the values that 5 of 100 lie below, 50 and 95, with straight
        lines between them and nothing beyond; of each other category the share of each level.
    pivot : str
        The categorical feature.

    Examples
    --------
    >>> mix = described({"ring": 1.0}, {"ring": ({"size_mm": (1.0, 2.0, 4.0)}, {})}, "opacity")
    >>> mix.levels["opacity"], round(mix.quantiles["size_mm"][-1], 2), len(mix.quantiles["size_mm"])
    ({'ring': 1.0}, 4.0, 20)
    """
    parts = {
        level: CaseMix(
            {name: dict(found) for name, found in categories.items()},
            {
                name: tuple(float(v) for v in np.interp(_SHARES, (0.05, 0.5, 0.95), three))
                for name, three in numbers.items()
            },
        )
        for level, (numbers, categories) in within.items()
    }
    levels: dict[str, dict[str, float]] = {pivot: {level: share for level, share in shares.items() if share}}
    for name in dict.fromkeys(name for part in parts.values() for name in part.levels):
        known = dict.fromkeys(level for part in parts.values() for level in part.levels.get(name, {}))
        mixed = {
            level: sum(shares[at] * part.levels.get(name, {}).get(level, 0.0) for at, part in parts.items())
            for level in known
        }
        levels[name] = {level: share / sum(mixed.values()) for level, share in mixed.items() if share}
    quantiles = {
        name: _mixed_quantiles([(shares[at], part.quantiles[name]) for at, part in parts.items()])
        for name in dict.fromkeys(name for part in parts.values() for name in part.quantiles)
    }
    return CaseMix(levels, quantiles, pivot, parts)


def _mixed_quantiles(parts: list[tuple[float, tuple[float, ...]]]) -> tuple[float, ...]:
    """Quantiles of a mixture of distributions, each given by quantiles of equal shares."""
    values = np.concatenate([np.array(quantiles) for _, quantiles in parts])
    weights = np.concatenate([np.full(len(quantiles), share) for share, quantiles in parts])
    order = np.argsort(values, kind="stable")
    middles = np.cumsum(weights[order]) - 0.5 * weights[order]
    return tuple(float(v) for v in np.interp(_SHARES, middles / weights.sum(), values[order]))


def _quantiles(known: NDArray[np.float64]) -> tuple[float, ...]:
    """Quantiles of these numbers, the outermost moved to the fifth (of fewer than nine: all to the middle one)."""
    ordered = np.sort(known)
    place = min(_LEAST_BEYOND, (len(ordered) + 1) // 2) - 1
    clipped = ordered.clip(ordered[place], ordered[-place - 1])
    return tuple(float(q) for q in np.quantile(clipped, _SHARES))


def _shares(known: list[str]) -> dict[str, float]:
    found = sorted(set(known))
    rounded = {level: _ROUND_TO * round(known.count(level) / _ROUND_TO) for level in found}
    total = sum(rounded.values())
    if not total:  # too few cases to tell levels apart
        return {level: 1 / len(found) for level in found}
    return {level: count / total for level, count in rounded.items() if count}
