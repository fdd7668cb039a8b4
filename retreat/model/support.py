"""Support: how many like cases a model saw, and whether a case lies inside what it saw."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Features = Mapping[str, NDArray[Any]]

# Cells below this are kept as 0, shown as "fewer than 11": the small-cell rule of US federal health data
# (CMS cell-size suppression, as used by PCORnet data committees).
SMALL_CELL = 11
# A number further outside the fitted range than this share of the range's width, in units or in ratios, is
# refused, not only flagged (our judgement: the model is a straight line there and nothing checks it).
_REFUSE_BEYOND = 0.25


@dataclass(frozen=True)
class CaseSupport:
    """What stands behind the forecast of one case.

    Parameters
    ----------
    n_like : int
        Fitted cases alike in the features that define likeness; 0 stands for fewer than 11.
    alike_in : tuple of str
        What "alike" means, in words.
    warnings : tuple of str
        Features outside the fitted range, levels seldom or never seen.
    refusals : tuple of str
        Reasons not to show a number at all; empty for a case inside the range.
    """

    n_like: int
    alike_in: tuple[str, ...]
    warnings: tuple[str, ...]
    refusals: tuple[str, ...]

    @property
    def n_like_words(self) -> str:
        """The count as it may be shown."""
        return str(self.n_like) if self.n_like >= SMALL_CELL else f"fewer than {SMALL_CELL}"


@dataclass(frozen=True)
class Support:
    """Counts and ranges of the fitted cases, coarse enough to hold no patient's row.

    Parameters
    ----------
    ranges : mapping of str to (float, float)
        Range of each numeric feature of the model, widened to limits that no case has.
    levels : mapping of str to mapping of str to int
        Fitted cases of each level: 11 for 11 or more, 0 for fewer (never seen: the level is absent). The
        exact count of a frequent level would tell that of a rare one, the number of cases being known.
    edges : mapping of str to tuple of float
        Features that define likeness: inner edges of the bands of a number, empty for a category.
    cells : mapping of str to int
        Fitted cases in each combination of bands ("ring|0|no"), counts below 11 left out.
    """

    ranges: Mapping[str, tuple[float, float]]
    levels: Mapping[str, Mapping[str, int]]
    edges: Mapping[str, tuple[float, ...]]
    cells: Mapping[str, int]

    def of(self, features: Features, *, n_cases: int) -> tuple[CaseSupport, ...]:
        """Support of each case.

        Parameters
        ----------
        features : mapping of str to ndarray, each of shape (cases,)
            At least the features of `ranges`, `levels` and `edges`.
        n_cases : int
            How many cases.
        """
        return tuple(self._of_one({f: v[i] for f, v in features.items()}) for i in range(n_cases))

    def _of_one(self, case: Mapping[str, Any]) -> CaseSupport:
        warnings: list[str] = []
        refusals: list[str] = []
        for feature, (low, high) in self.ranges.items():
            value = case[feature]
            if np.isfinite(value) and not low <= value <= high:
                text = f"{feature} {value:g} is outside the fitted range {low:g} to {high:g}"
                (refusals if _far_outside(value, low, high) else warnings).append(text)
        for feature, counts in self.levels.items():
            level = case[feature]
            if level is None:
                continue
            if level not in counts:
                refusals.append(f"no fitted case has {feature} {level}")
            elif counts[level] < SMALL_CELL:
                warnings.append(f"fewer than {SMALL_CELL} fitted cases have {feature} {level}")
        n_like = sum(n for cell, n in self.cells.items() if _matches(cell, self._bands(case)))
        return CaseSupport(n_like, self._alike_in(case), tuple(warnings), tuple(refusals))

    def _bands(self, case: Mapping[str, Any]) -> list[str | None]:
        return [_band(case[feature], edges) for feature, edges in self.edges.items()]

    def _alike_in(self, case: Mapping[str, Any]) -> tuple[str, ...]:
        words = []
        for feature, edges in self.edges.items():
            band = _band(case[feature], edges)
            if band is None:
                continue
            words.append(f"{feature} {_band_words(int(band), edges) if edges else band}")
        return tuple(words)

    def to_json(self) -> dict[str, Any]:
        """Plain lists and numbers; :meth:`from_json` is the inverse."""
        return {
            "ranges": {f: list(r) for f, r in self.ranges.items()},
            "levels": {f: dict(c) for f, c in self.levels.items()},
            "edges": {f: [float(v) for v in e] for f, e in self.edges.items()},
            "cells": dict(self.cells),
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Support:
        """Rebuild a support from :meth:`to_json`."""
        return cls(
            {str(f): (float(r[0]), float(r[1])) for f, r in data["ranges"].items()},
            {str(f): {str(k): int(n) for k, n in c.items()} for f, c in data["levels"].items()},
            {str(f): tuple(float(v) for v in e) for f, e in data["edges"].items()},
            {str(k): int(n) for k, n in data["cells"].items()},
        )


def learn(features: Features, edges: Mapping[str, tuple[float, ...]]) -> Support:
    """Support of these fitted cases.

    Parameters
    ----------
    features : mapping of str to ndarray, each of shape (cases,)
        Features of the model and of `edges`.
    edges : mapping of str to tuple of float
        Features that define likeness: inner band edges of numbers, empty for categories.
    """
    ranges: dict[str, tuple[float, float]] = {}
    levels: dict[str, dict[str, int]] = {}
    for name, values in features.items():
        if values.dtype == object:
            known = [v for v in values if v is not None]
            counts = {level: known.count(level) for level in sorted(set(known))}
            levels[name] = {level: SMALL_CELL if n >= SMALL_CELL else 0 for level, n in counts.items()}
        elif np.isfinite(values).any():
            ranges[name] = _outwards(float(np.nanmin(values)), float(np.nanmax(values)))
    size = len(next(iter(features.values()))) if features else 0
    cells: dict[str, int] = {}
    for i in range(size):
        bands = [_band(features[f][i], e) for f, e in edges.items()]
        if None not in bands:
            key = "|".join(str(b) for b in bands)
            cells[key] = cells.get(key, 0) + 1
    return Support(ranges, levels, edges, {k: n for k, n in sorted(cells.items()) if n >= SMALL_CELL})


def _outwards(low: float, high: float) -> tuple[float, float]:
    """Nearest limits outside the range, halfway between numbers of two significant digits of its width.

    Halfway, because cases are recorded in round numbers: a limit must not be a patient's own value.
    """
    width = max(high - low, abs(high), 1e-3)
    step = 10.0 ** (np.floor(np.log10(width)) - 1)
    # half a unit beyond the round number below and above; once more if that is still no further out
    below = (np.floor(low / step + 0.5) - 0.5) * step
    above = (np.ceil(high / step - 0.5) + 0.5) * step
    below = below if below < low - 1e-6 * step else below - step
    above = above if above > high + 1e-6 * step else above + step
    return float(np.round(below, 10)), float(np.round(above, 10))


def _band(value: Any, edges: tuple[float, ...]) -> str | None:
    if value is None:
        return None
    if not edges:
        return str(value)
    return None if not np.isfinite(value) else str(int(np.searchsorted(edges, value, side="right")))


def _band_words(band: int, edges: tuple[float, ...]) -> str:
    if band == 0:
        return f"under {edges[0]:g}"
    if band == len(edges):
        return f"{edges[-1]:g} or more"
    return f"{edges[band - 1]:g} to under {edges[band]:g}"


def _matches(cell: str, bands: list[str | None]) -> bool:
    parts = cell.split("|") if bands else []  # without features that define likeness there is one cell
    return all(b is None or b == c for b, c in zip(bands, parts, strict=True))


def _far_outside(value: float, low: float, high: float) -> bool:
    """Whether a number is too far outside a range, by difference or, for a range above 0, by ratio."""
    margin = _REFUSE_BEYOND * (high - low)
    if value < low - margin or value > high + margin:
        return True
    if low <= 0:
        return False
    factor = (high / low) ** _REFUSE_BEYOND
    return bool(value < low / factor or value > high * factor)
