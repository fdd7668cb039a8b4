"""Calibration in the middle of a course: among the cases still in treatment after so many sessions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np

from retreat.validation._spread import Interval
from retreat.validation.agreement_record import Calibration

# sessions ahead of the landmark that are looked at, as on a counselling sheet
AHEAD = 2
# fewer cases still in treatment tell nothing
LEAST_CASES = 20

# all cases that went on, or those alone of whose sessions something was noted
Told = Literal["all", "told"]

_NONE = (np.nan, np.nan)


@dataclass(frozen=True)
class MidCourse:
    """Agreement among cases that had `done` sessions and went on.

    Parameters
    ----------
    done, horizon : int
        Sessions had, and by which session the end is counted.
    end : str
        Which end.
    n : int
        Cases still in treatment after `done`.
    observed, expected, observed_expected, slope : float
        As in :class:`~retreat.validation.Calibration`, given the sessions had.
    observed_expected_interval, slope_interval : tuple of float
        Their intervals.
    reason : str
        Why values are NaN; empty when none is.
    told : {"all", "told"}
        Whether all these cases count, or those alone of which a session had told how the eye stands.
    """

    done: int
    horizon: int
    end: str
    n: int
    observed: float
    expected: float
    observed_expected: float
    observed_expected_interval: Interval
    slope: float
    slope_interval: Interval
    reason: str
    told: Told = "all"


def agreement_of(
    found: Calibration, *, done: int, horizon: int, end: str, n: int, told: Told = "all"
) -> MidCourse:
    """The part of a calibration that a sheet during a course rests on.

    Parameters
    ----------
    found : Calibration
        Of the forecasts given the sessions had.
    done, horizon, end, n, told
        As in :class:`MidCourse`.
    """
    return MidCourse(
        done,
        horizon,
        end,
        n,
        found.observed,
        found.expected,
        found.observed_expected,
        found.observed_expected_interval,
        found.slope,
        found.slope_interval,
        found.reason,
        told,
    )


def not_told(*, done: int, horizon: int, end: str, n: int, reason: str, told: Told = "all") -> MidCourse:
    """No number, and why."""
    return MidCourse(done, horizon, end, n, np.nan, np.nan, np.nan, _NONE, np.nan, _NONE, reason, told)


class _Row(Protocol):
    @property
    def done(self) -> int: ...
    @property
    def n(self) -> int: ...
    @property
    def told(self) -> Told: ...


def decisive[Row: _Row](rows: Sequence[Row]) -> tuple[Row, ...]:
    """The rows that a judgement rests on: at each landmark those of the cases told of, where they are enough.

    A model that learns from sessions forecasts an eye that none tells of as its base model would: where few are told
    of, a calibration of all is one of the base model.

    Parameters
    ----------
    rows : sequence of LandmarkRow or of MidCourse
        Of all landmarks.

    Examples
    --------
    >>> alike = {"done": 1, "horizon": 3, "end": "relieved", "reason": ""}
    >>> rows = [not_told(**alike, n=n, told=told) for n, told in ((60, "all"), (25, "told"))]
    >>> [row.n for row in decisive(rows)]
    [25]
    """
    enough = {row.done for row in rows if row.told == "told" and row.n >= LEAST_CASES}
    return tuple(row for row in rows if (row.told == "told") == (row.done in enough))
