"""Calibration in the middle of a course: among the cases still in treatment after so many sessions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from retreat.validation._checked import Courses, FloatArray, IntArray
from retreat.validation._spread import Interval
from retreat.validation.agreement_at import calibration_at

# sessions ahead of the landmark that are looked at, as on a counselling sheet
AHEAD = 2
# fewer cases still in treatment tell nothing
_LEAST_CASES = 20


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


def given_done(incidence: FloatArray, done: int) -> FloatArray:
    """Incidences after the sessions had, given that the case went on.

    Parameters
    ----------
    incidence : ndarray of float, shape (cases, ends, sessions)
        From before the first session.
    done : int, from 1
        Sessions had.

    Returns
    -------
    ndarray of float, shape (cases, ends, sessions - done)

    Examples
    --------
    >>> given_done(np.array([[[0.5, 0.75]]]), 1).tolist()
    [[[0.5]]]
    """
    staying = 1.0 - incidence[:, :, done - 1].sum(axis=1)
    since = incidence[:, :, done:] - incidence[:, :, done - 1, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.clip(np.where(staying[:, None, None] > 0, since / staying[:, None, None], 0.0), 0.0, 1.0)


def mid_course(
    incidence: FloatArray,
    seen: Courses,
    groups: IntArray,
    *,
    ends: Sequence[str],
    landmarks: Sequence[int] = (1, 2),
    level: float = 0.95,
) -> tuple[MidCourse, ...]:
    """Calibration at each landmark (van Houwelingen 2007, from memory), on predictions for held-out cases.

    Parameters
    ----------
    incidence : ndarray of float, shape (cases, ends, sessions)
        Predicted from before the first session; must reach two sessions past a landmark to be looked at there.
    seen : Courses
        What happened.
    groups : ndarray of int, shape (cases,)
        Patients.
    ends : sequence of str
        Names of the ends.
    landmarks : sequence of int
        Sessions had.
    level : float in (0, 1)
        Of the intervals.
    """
    rows = []
    for done in landmarks:
        if done + AHEAD > incidence.shape[-1]:
            continue
        # a case last seen after exactly `done` sessions was not followed beyond
        on = seen.sessions > done
        horizon = done + AHEAD
        for j, end in enumerate(ends):
            if on.sum() < _LEAST_CASES:
                why = f"{int(on.sum())} cases went on after session {done}, at least {_LEAST_CASES} needed"
                none = (np.nan, np.nan)
                rows.append(
                    MidCourse(
                        done, horizon, end, int(on.sum()), np.nan, np.nan, np.nan, none, np.nan, none, why
                    )
                )
                continue
            found = calibration_at(
                given_done(incidence[on], done)[:, j, AHEAD - 1],
                seen.sessions[on] - done,
                seen.ending[on],
                end=j + 1,
                horizon=AHEAD,
                groups=groups[on],
                level=level,
            )
            rows.append(
                MidCourse(
                    done,
                    horizon,
                    end,
                    int(on.sum()),
                    found.observed,
                    found.expected,
                    found.observed_expected,
                    found.observed_expected_interval,
                    found.slope,
                    found.slope_interval,
                    found.reason,
                )
            )
    return tuple(rows)
