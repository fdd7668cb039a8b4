"""Calibration in the middle of a course: among the cases still in treatment after so many sessions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from retreat.validation._spread import Interval
from retreat.validation.agreement_record import Calibration

# sessions ahead of the landmark that are looked at, as on a counselling sheet
AHEAD = 2

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


def agreement_of(found: Calibration, *, done: int, horizon: int, end: str, n: int) -> MidCourse:
    """The part of a calibration that a sheet during a course rests on.

    Parameters
    ----------
    found : Calibration
        Of the forecasts given the sessions had.
    done, horizon, end, n
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
    )


def not_told(*, done: int, horizon: int, end: str, n: int, reason: str) -> MidCourse:
    """No number, and why."""
    return MidCourse(done, horizon, end, n, np.nan, np.nan, np.nan, _NONE, np.nan, _NONE, reason)
