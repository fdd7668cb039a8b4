"""The other eye of a patient: how often and how soon it follows the first."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from retreat.planning.dates import NO_DATE, check_not_later, day_number, start_days

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# two eyes treated further apart are two complaints (our judgement): they count among the new starts
SECOND_EYE_WEEKS = 104


@dataclass(frozen=True)
class SecondEyes:
    """How often the other eye of a patient follows.

    Parameters
    ----------
    rate : ndarray of float, shape (draws,)
        Second eyes begun a patient-week; one draw is one plausible value.
    eligible : int
        Patients with one eye begun in the last 104 weeks and the other not.
    n_events : int
        Second eyes it was learned from.
    patient_weeks : float
        Over how many patient-weeks.
    """

    rate: FloatArray
    eligible: int
    n_events: int = 0
    patient_weeks: float = 0.0

    def __post_init__(self) -> None:
        if self.rate.ndim != 1 or not np.isfinite(self.rate).all() or (self.rate < 0).any():
            raise ValueError("rate needs one value of at least 0 a draw")

    @classmethod
    def none(cls) -> SecondEyes:
        """No second eyes at all."""
        return cls(np.zeros(1), 0)


def first_starts(cases: pd.DataFrame) -> IntArray:
    """Day numbers of the starts that count as new: all but second eyes within 104 weeks of the first.

    Parameters
    ----------
    cases : DataFrame
        The typed `cases`.

    Returns
    -------
    ndarray of int, shape (starts,)
        Sorted. With the second eyes of :func:`fit_second_eyes` they are all cases begun.

    Raises
    ------
    FitError
        If a start bears only a year.
    """
    start, second, _ = _by_patient(cases)
    return np.sort(start[(start != NO_DATE) & ~second])


def fit_second_eyes(cases: pd.DataFrame, *, today: date, draws: int = 1000, seed: int = 1) -> SecondEyes:
    """Second eyes a patient-week in the 104 weeks after the first, and how many patients may still bring one.

    A constant rate; its doubt is the gamma posterior under the prior of Jeffreys.

    Parameters
    ----------
    cases : DataFrame
        The typed `cases`.
    today : date
        Day on which the tables were closed.
    draws : int
        Draws of the rate.
    seed : int
        Of the draws.

    Raises
    ------
    FitError
        If a start bears only a year, or lies after today.
    """
    start, second, first = _by_patient(cases)
    check_not_later(start, today, where="started")
    now = day_number(today)
    lone = np.flatnonzero(first & (_other(cases, start) == NO_DATE))
    seen = np.minimum(now - start[lone], 7 * SECOND_EYE_WEEKS) / 7
    eligible = int((now - start[lone] < 7 * SECOND_EYE_WEEKS).sum())
    paired = np.flatnonzero(first & (_other(cases, start) != NO_DATE))
    until = np.minimum(_other(cases, start)[paired] - start[paired], 7 * SECOND_EYE_WEEKS) / 7
    exposure = float(seen.sum() + until.sum())
    events = int(second.sum())
    rng = np.random.default_rng([seed, 52])
    if exposure <= 0:
        return SecondEyes.none()
    return SecondEyes(rng.gamma(events + 0.5, 1.0 / exposure, draws), eligible, events, exposure)


def _by_patient(cases: pd.DataFrame) -> tuple[IntArray, NDArray[np.bool_], NDArray[np.bool_]]:
    """Start of each case, whether it is a second eye in time, and whether it is its patient's first case."""
    start = start_days(cases)
    patient = cases["patient"].to_numpy(dtype=object)
    order = np.lexsort((start, np.unique(patient, return_inverse=True)[1]))
    order = order[start[order] != NO_DATE]
    begins = np.ones(len(order), dtype=bool)
    begins[1:] = patient[order][1:] != patient[order][:-1]
    first, second = np.zeros(len(start), dtype=bool), np.zeros(len(start), dtype=bool)
    first[order[begins]] = True
    place = np.flatnonzero(begins)
    eye = cases["eye"].to_numpy(dtype=object)
    follows = place[place + 1 < len(order)]
    follows = follows[~begins[follows + 1]]
    one, two = order[follows], order[follows + 1]
    in_time = (start[two] - start[one] < 7 * SECOND_EYE_WEEKS) & (eye[two] != eye[one])
    second[two[in_time]] = True
    return start, second, first


def _other(cases: pd.DataFrame, start: IntArray) -> IntArray:
    """Start of the case after each patient's first, on the rows of the first; -1 where there is none."""
    patient = np.unique(cases["patient"].to_numpy(dtype=object), return_inverse=True)[1]
    order = np.lexsort((start, patient))
    order = order[start[order] != NO_DATE]
    out = np.full(len(start), NO_DATE, dtype=np.int64)
    same = patient[order][1:] == patient[order][:-1]
    out[order[:-1][same]] = start[order[1:][same]]
    return out
