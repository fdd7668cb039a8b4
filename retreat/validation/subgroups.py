"""Observed over expected in parts of the cases, small parts hidden."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.model.support import SMALL_CELL
from retreat.validation._checked import Courses, FloatArray, IntArray
from retreat.validation._spread import Interval
from retreat.validation.agreement_at import calibration_at

# bands of age, in years [our judgement: about thirds of the patients treated]
_AGE_EDGES = (50.0, 65.0)
_AGE_BANDS = ("under 50", "50 to under 65", "65 or more")


@dataclass(frozen=True)
class SubgroupRow:
    """Agreement in one part.

    Parameters
    ----------
    feature, level : str
        Which part.
    n : int
        Cases; 0 stands for a part that is hidden.
    observed, expected, observed_expected : float
        As in :class:`~retreat.validation.Calibration`; NaN where hidden.
    interval : tuple of float
        Of the ratio.
    reason : str
        Why there is no number.
    """

    feature: str
    level: str
    n: int
    observed: float = np.nan
    expected: float = np.nan
    observed_expected: float = np.nan
    interval: Interval = (np.nan, np.nan)
    reason: str = ""


def parts_of(columns: Mapping[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
    """Levels of each feature that cases are split by, age in bands; missing ones None.

    Parameters
    ----------
    columns : mapping of str to ndarray, each of shape (cases,)
        Features: object arrays of text, or numbers of which only `age` is split.
    """
    found: dict[str, NDArray[Any]] = {}
    for name, values in columns.items():
        if values.dtype == object:
            found[name] = values
        elif name == "age":
            bands = np.array(_AGE_BANDS, dtype=object)[np.searchsorted(_AGE_EDGES, values, side="right")]
            bands[~np.isfinite(values)] = None
            found[name] = bands
    return found


def hidden_levels(counts: Mapping[str, int]) -> set[str]:
    """Levels that must not be shown: those under 11 cases, and enough others that these cannot be worked out.

    Examples
    --------
    >>> sorted(hidden_levels({"ring": 60, "cloud": 30, "sheet": 4}))
    ['cloud', 'sheet']
    >>> hidden_levels({"ring": 60, "cloud": 30})
    set()
    """
    rising = sorted(counts, key=lambda level: (counts[level], level))
    hidden = [level for level in rising if counts[level] < SMALL_CELL]
    if not hidden:
        return set()
    # the total is known: one hidden part, or hidden parts that together are few, would be told by the rest
    for level in rising[len(hidden) :]:
        if len(hidden) > 1 and sum(counts[h] for h in hidden) >= SMALL_CELL:
            break
        hidden.append(level)
    return set(hidden)


def subgroups(
    incidence: FloatArray,
    seen: Courses,
    patients: IntArray,
    parts: Mapping[str, NDArray[Any]],
    *,
    end: int,
    horizon: int,
    level: float = 0.95,
) -> tuple[SubgroupRow, ...]:
    """Agreement of one end by one session in each part.

    Parameters
    ----------
    incidence : ndarray of float, shape (cases,)
        Predicted on unseen patients.
    seen : Courses
        What happened.
    patients : ndarray of int, shape (cases,)
        Patients.
    parts : mapping of str to ndarray, each of shape (cases,)
        From :func:`parts_of`.
    end : int
        Which end, 1..K.
    horizon : int
        By which session.
    level : float in (0, 1)
        Of the intervals.
    """
    rows = []
    for feature, levels in parts.items():
        known = [str(v) for v in levels if v is not None]
        counts = {value: known.count(value) for value in sorted(set(known))}
        hidden = hidden_levels(counts)
        for value, n in counts.items():
            if value in hidden:
                why = f"fewer than {SMALL_CELL} cases, or hidden so that others cannot be worked out"
                rows.append(SubgroupRow(feature, value, 0, reason=why))
                continue
            here = np.array([v == value for v in levels])
            found = calibration_at(
                incidence[here],
                seen.sessions[here],
                seen.ending[here],
                end=end,
                horizon=horizon,
                groups=patients[here],
                level=level,
            )
            rows.append(
                SubgroupRow(
                    feature,
                    value,
                    n,
                    found.observed,
                    found.expected,
                    found.observed_expected,
                    found.observed_expected_interval,
                )
            )
    return tuple(rows)
