"""Support: how many like cases a model saw, and whether a case lies inside what it saw."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import product
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

Features = Mapping[str, NDArray[Any]]
# what a support rests on: cases the model was fitted to, or eyes as published reports are taken to be about
Source = Literal["fitted", "published"]
IntArray = NDArray[np.int64]

# Cells below this are kept as 0, shown as "fewer than 11": the small-cell rule of US federal health data
# (CMS cell-size suppression, as used by PCORnet data committees).
SMALL_CELL = 11
# Larger cells are kept as the multiple of this below them: the exact counts of all other cells, or of one cell
# before and after a session, would tell a small one.
_COUNT_STEP = 5
# Quantiles of a number between which a case lies well inside what was seen.
_COMMON = (0.01, 0.99)
_LEAST_COMMON = 100
# A number that lies beyond all seen, and beyond the common range by more than this share of that range's width
# (on the log scale where the model is linear in the log), is refused, not only flagged (our judgement: the model
# is a straight line there and nothing checks it). The common range, since one mistyped size must not open the door.
_REFUSE_BEYOND = 0.25
_ANY = "*"


class _Words(NamedTuple):
    """How a source is spoken of; what is in braces is filled in."""

    range: str
    few: str
    none: str
    like: str
    course: str


_WORDS: Mapping[Source, _Words] = {
    "fitted": _Words(
        range="{feature} {value:g} is outside the range of nearly all fitted cases, {low:g} to {high:g}",
        few=f"fewer than {SMALL_CELL} fitted cases have {{feature}} {{level}}",
        none="no fitted case has {feature} {level}",
        like=f"fewer than {SMALL_CELL}",
        course="few or no fitted cases were still in treatment after {done} sessions",
    ),
    "published": _Words(
        range="{feature} {value:g} is outside what is taken as the range of published eyes, {low:g} to {high:g}",
        few="no published result used here is mainly of eyes with {feature} {level}",
        none="nothing is known of eyes with {feature} {level}",
        like="none",
        course="published results used here say nothing of eyes still in treatment after {done} sessions",
    ),
}


class Range(NamedTuple):
    """Range of a number: what nearly all fitted cases had (`low` to `high`), and what any had."""

    lowest: float
    low: float
    high: float
    highest: float


@dataclass(frozen=True)
class CaseSupport:
    """What stands behind the forecast of one case.

    Parameters
    ----------
    n_like : int
        At least so many fitted cases were alike in the features that define likeness, and still in
        treatment after the sessions the case has had; 0 stands for fewer than 11.
    alike_in : tuple of str
        What "alike" means, in words.
    warnings : tuple of str
        Features outside the fitted range, levels seldom or never seen.
    refusals : tuple of str
        Reasons not to show a number at all; empty for a case inside the range.
    source : {"fitted", "published"}
        What it rests on; a model of published averages saw no like case at all.
    """

    n_like: int
    alike_in: tuple[str, ...]
    warnings: tuple[str, ...]
    refusals: tuple[str, ...]
    source: Source = "fitted"

    @property
    def n_like_words(self) -> str:
        """The count as it may be shown."""
        return f"at least {self.n_like}" if self.n_like else _WORDS[self.source].like

    def with_course(self, done: int, supported_session: int) -> CaseSupport:
        """The same, warned of when few or no fitted cases were in treatment after the sessions done."""
        if done < supported_session:
            return self
        why = _WORDS[self.source].course.format(done=done)
        return replace(self, warnings=(*self.warnings, why))


@dataclass(frozen=True)
class Support:
    """Counts and ranges of the fitted cases, coarse enough to hold no patient's row.

    Parameters
    ----------
    ranges : mapping of str to Range
        Range of each numeric feature of the model, widened to limits that no case has.
    logged : tuple of str
        Numeric features whose distance from the range is told by ratio.
    levels : mapping of str to mapping of str to int
        Fitted cases of each level: 11 for 11 or more, 0 for fewer (never seen: the level is absent). The
        exact count of a frequent level would tell that of a rare one, the number of cases being known.
    edges : mapping of str to tuple of float
        Features that define likeness: inner edges of the bands of a number, empty for a category.
    cells : mapping of str to tuple of int
        For each combination of bands ("ring|0|no", a star for any), how many fitted cases were still in
        treatment before session 1, 2, ...: rounded down to a multiple of 5 but never below 11, and cut at the
        first count below 11.
    source : {"fitted", "published"}
        ``published``: there is no case, ranges and levels are those of :func:`described`, and there are no cells.
    """

    ranges: Mapping[str, Range]
    logged: tuple[str, ...]
    levels: Mapping[str, Mapping[str, int]]
    edges: Mapping[str, tuple[float, ...]]
    cells: Mapping[str, tuple[int, ...]]
    source: Source = "fitted"

    def of(self, features: Features, done: IntArray) -> tuple[CaseSupport, ...]:
        """Support of each case.

        Parameters
        ----------
        features : mapping of str to ndarray, each of shape (cases,)
            At least the features of `ranges`, `levels` and `edges`.
        done : ndarray of int, shape (cases,)
            Sessions each case has had: like cases are those still in treatment after them.
        """
        return tuple(self._of_one({f: v[i] for f, v in features.items()}, int(k)) for i, k in enumerate(done))

    def _of_one(self, case: Mapping[str, Any], done: int) -> CaseSupport:
        warnings: list[str] = []
        refusals: list[str] = []
        words = _WORDS[self.source]
        for feature, seen in self.ranges.items():
            value = case[feature]
            if np.isfinite(value) and not seen.low <= value <= seen.high:
                text = words.range.format(feature=feature, value=value, low=seen.low, high=seen.high)
                if _far_outside(value, seen, logged=feature in self.logged):
                    refusals.append(f"{text}, and far from all of them")
                else:
                    warnings.append(text)
        for feature, counts in self.levels.items():
            level = case[feature]
            if level is None:
                continue
            if level not in counts:
                refusals.append(words.none.format(feature=feature, level=level))
            elif counts[level] < SMALL_CELL:
                warnings.append(words.few.format(feature=feature, level=level))
        at_risk = self.cells.get(_key(self._bands(case)), ())
        n_like = at_risk[done] if done < len(at_risk) else 0
        return CaseSupport(n_like, self._alike_in(case), tuple(warnings), tuple(refusals), self.source)

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
            "logged": list(self.logged),
            "levels": {f: dict(c) for f, c in self.levels.items()},
            "edges": {f: [float(v) for v in e] for f, e in self.edges.items()},
            "cells": {k: list(n) for k, n in self.cells.items()},
            # a support of fitted cases stays what it was before there was another
            **({"source": self.source} if self.source != "fitted" else {}),
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Support:
        """Rebuild a support from :meth:`to_json`."""
        return cls(
            {str(f): Range(*(float(v) for v in r)) for f, r in data["ranges"].items()},
            tuple(str(f) for f in data["logged"]),
            {str(f): {str(k): int(n) for k, n in c.items()} for f, c in data["levels"].items()},
            {str(f): tuple(float(v) for v in e) for f, e in data["edges"].items()},
            {str(k): tuple(int(v) for v in n) for k, n in data["cells"].items()},
            _source(data.get("source", "fitted")),
        )


def _source(name: object) -> Source:
    for source in _WORDS:
        if name == source:
            return source
    raise ValueError(f"support source {name!r}")


def described(
    ranges: Mapping[str, tuple[float, float]],
    levels: Mapping[str, Mapping[str, bool]],
    edges: Mapping[str, tuple[float, ...]],
    *,
    logged: tuple[str, ...] = (),
) -> Support:
    """Support of a model without cases, from eyes as they are described.

    Parameters
    ----------
    ranges : mapping of str to (float, float)
        Of each number where nearly all eyes lie.
    levels : mapping of str to mapping of str to bool
        Of each category its levels, and whether something is published mainly of eyes with it: others are warned of.
    edges : mapping of str to tuple of float
        Features that define likeness, for when cases come; no eye is like another before that.
    logged : tuple of str
        Features that the model is linear in the log of.

    Examples
    --------
    >>> support = described({"size_mm": (1.0, 9.0)}, {"opacity": {"ring": True, "strand": False}}, {})
    >>> case = {"size_mm": np.array([10.0]), "opacity": np.array(["strand"], dtype=object)}
    >>> (one,) = support.of(case, np.array([0]))
    >>> one.n_like_words, one.warnings[0]
    ('none', 'size_mm 10 is outside what is taken as the range of published eyes, 1 to 9')
    """
    return Support(
        {name: Range(low, low, high, high) for name, (low, high) in ranges.items()},
        tuple(name for name in ranges if name in logged),
        {
            name: {level: SMALL_CELL if told else 0 for level, told in known.items()}
            for name, known in levels.items()
        },
        edges,
        {},
        "published",
    )


def learn(
    features: Features,
    edges: Mapping[str, tuple[float, ...]],
    sessions: IntArray,
    *,
    logged: tuple[str, ...] = (),
) -> Support:
    """Support of these fitted cases.

    Parameters
    ----------
    features : mapping of str to ndarray, each of shape (cases,)
        Features of the model and of `edges`.
    edges : mapping of str to tuple of float
        Features that define likeness: inner band edges of numbers, empty for categories.
    sessions : ndarray of int, shape (cases,)
        Last session of each case: it was still in treatment before each session up to that one.
    logged : tuple of str
        Features that the model is linear in the log of.
    """
    ranges: dict[str, Range] = {}
    levels: dict[str, dict[str, int]] = {}
    for name, values in features.items():
        if values.dtype == object:
            known = [v for v in values if v is not None]
            counts = {level: known.count(level) for level in sorted(set(known))}
            levels[name] = {level: SMALL_CELL if n >= SMALL_CELL else 0 for level, n in counts.items()}
        elif np.isfinite(values).any():
            ranges[name] = _range(values[np.isfinite(values)])
    cells = _cells({f: features[f] for f in edges}, edges, sessions)
    return Support(ranges, tuple(f for f in ranges if f in logged), levels, edges, cells)


def _cells(
    features: Features, edges: Mapping[str, tuple[float, ...]], sessions: IntArray
) -> dict[str, tuple[int, ...]]:
    if not len(sessions):
        return {}
    banded = [[_band(value, edges[f]) for value in values] for f, values in features.items()]
    combinations = list(zip(*banded, strict=True)) if banded else [()] * len(sessions)
    position = {bands: i for i, bands in enumerate(dict.fromkeys(combinations))}
    where = np.array([position[bands] for bands in combinations])
    width = int(sessions.max()) + 1
    ended = np.bincount(where * width + sessions, minlength=len(position) * width)
    totals: dict[str, IntArray] = {}
    for bands, counts in zip(position, ended.reshape(-1, width), strict=True):
        for key in _keys(bands):
            totals[key] = totals.get(key, 0) + counts
    told = {key: _told(counts) for key, counts in sorted(totals.items())}
    return {key: counts for key, counts in told.items() if counts}


def _keys(bands: tuple[str | None, ...]) -> Iterator[str]:
    """The case's own combination and every wider one: it counts wherever its unknown bands are any."""
    for chosen in product(*(((None,) if band is None else (band, None)) for band in bands)):
        yield _key(chosen)


def _key(bands: Iterable[str | None]) -> str:
    return "|".join(_ANY if band is None else band for band in bands)


def _told(last_sessions: IntArray) -> tuple[int, ...]:
    """Counts still in treatment before session 1, 2, ..., coarse, up to the first too small to tell.

    Entry k of `last_sessions` is how many cases had session k as their last.
    """
    at_risk = np.cumsum(last_sessions[::-1])[::-1][1:]
    told = at_risk[at_risk >= SMALL_CELL]
    return tuple(np.maximum(told - told % _COUNT_STEP, SMALL_CELL).tolist())


def _range(values: NDArray[np.float64]) -> Range:
    lowest, highest = _outwards(float(values.min()), float(values.max()))
    if len(values) < _LEAST_COMMON:  # a hundredth is not even one case: all but the outermost are common
        second = np.sort(values)[[1, -2]] if len(values) > 3 else (lowest, highest)
        low, high = _outwards(float(second[0]), float(second[1]))
    else:
        low, high = _outwards(*(float(q) for q in np.quantile(values, _COMMON)))
    return Range(lowest, max(low, lowest), min(high, highest), highest)


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


def _far_outside(value: float, seen: Range, *, logged: bool) -> bool:
    """Whether a number lies beyond all seen and too far from the common ones."""
    if seen.lowest <= value <= seen.highest:
        return False
    if logged and seen.low > 0:
        factor = (seen.high / seen.low) ** _REFUSE_BEYOND
        return bool(value < seen.low / factor or value > seen.high * factor)
    margin = _REFUSE_BEYOND * (seen.high - seen.low)
    return bool(value < seen.low - margin or value > seen.high + margin)
