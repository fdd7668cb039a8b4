"""Case mix: the spread of each feature among the fitted cases, kept so that a missing one can be averaged over."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Features = Mapping[str, NDArray[Any]]

# quantiles kept of a numeric feature: the middles of 20 equal shares, so no value of a single patient at the edge
_SHARES = (np.arange(20) + 0.5) / 20
# cases of a level are rounded to a multiple of this before shares are taken: with the number of cases known,
# an exact share would give a small count away
_ROUND_TO = 5


@dataclass(frozen=True)
class CaseMix:
    """Distribution of each feature among the fitted cases, one feature at a time.

    Parameters
    ----------
    levels : mapping of str to mapping of str to float
        Share of each level of a categorical feature, counts rounded to the nearest five.
    quantiles : mapping of str to tuple of float
        Twenty evenly spaced quantiles of a numeric feature.

    Examples
    --------
    >>> mix = learn({"lens": np.array(["natural"] * 14 + ["monofocal"] * 4 + [None], dtype=object)})
    >>> mix.levels["lens"]
    {'monofocal': 0.25, 'natural': 0.75}
    """

    levels: Mapping[str, Mapping[str, float]]
    quantiles: Mapping[str, tuple[float, ...]]

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
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> CaseMix:
        """Rebuild a case mix from :meth:`to_json`."""
        return cls(
            {str(f): {str(k): float(v) for k, v in s.items()} for f, s in data["levels"].items()},
            {str(f): tuple(float(v) for v in q) for f, q in data["quantiles"].items()},
        )


def learn(features: Features) -> CaseMix:
    """Case mix of these cases; missing values (None, NaN) are left out.

    Parameters
    ----------
    features : mapping of str to ndarray, each of shape (cases,)
        Object arrays of text for categories, float arrays for numbers.
    """
    levels: dict[str, dict[str, float]] = {}
    quantiles: dict[str, tuple[float, ...]] = {}
    for name, values in features.items():
        if values.dtype == object:
            levels[name] = _shares([v for v in values if v is not None])
        elif np.isfinite(values).any():
            known_numbers = values[np.isfinite(values)]
            quantiles[name] = tuple(float(q) for q in np.quantile(known_numbers, _SHARES))
    return CaseMix({f: s for f, s in levels.items() if s}, quantiles)


def _shares(known: list[str]) -> dict[str, float]:
    found = sorted(set(known))
    rounded = {level: _ROUND_TO * round(known.count(level) / _ROUND_TO) for level in found}
    total = sum(rounded.values())
    if not total:  # too few cases to tell levels apart
        return {level: 1 / len(found) for level in found}
    return {level: count / total for level, count in rounded.items() if count}
