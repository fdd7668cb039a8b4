"""Slots a clinic can open, and how many to open so that they are enough."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import ArrayLike, NDArray

from retreat.errors import Fault, FitError
from retreat.planning.demand import quantile

IntArray = NDArray[np.int64]

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_MOST_SLOTS = 200
_MOST_MACHINES = 20
_MOST_GAP_WEEKS = 52


@dataclass(frozen=True)
class Clinic:
    """When the laser is at work; checked when made.

    Parameters
    ----------
    sessions_per_day : int, 0 to 200
        Slots on a clinic day on one laser.
    days : tuple of int
        Weekdays the clinic treats on, Monday 0 to Sunday 6.
    closed : tuple of date
        Days the clinic stays closed besides the public holidays.
    country : str
        Public holidays kept: code of a country, or of a country and a part of it (``"DE-BY"``), as the package
        `holidays` knows them; empty for none.
    machines : int, 1 to 20
        Lasers at work side by side.
    min_gap_weeks : int, 0 to 52
        Least weeks between two sessions of an eye that the clinic allows; 0 for no rule.
    both_eyes_same_day : bool
        Whether both eyes of a patient are treated on one day where both need a session.
    half_days : tuple of int
        Weekdays with half the slots, rounded up; none of `days`.

    Raises
    ------
    FitError
        If a value is out of range or the country is not known; all faults at once.

    Examples
    --------
    >>> Clinic(6, (0, 3)).slots_a_week
    12
    """

    sessions_per_day: int
    days: tuple[int, ...]
    closed: tuple[date, ...] = ()
    country: str = ""
    machines: int = 1
    min_gap_weeks: int = 0
    both_eyes_same_day: bool = False
    half_days: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        faults = [
            _range_fault(name, getattr(self, name), low, high)
            for name, low, high in (
                ("sessions_per_day", 0, _MOST_SLOTS),
                ("machines", 1, _MOST_MACHINES),
                ("min_gap_weeks", 0, _MOST_GAP_WEEKS),
            )
            if not (_is_whole(getattr(self, name)) and low <= getattr(self, name) <= high)
        ]
        for name in ("days", "half_days"):
            if any(not (_is_whole(day) and 0 <= day <= 6) for day in getattr(self, name)):
                faults.append(Fault(name, f"{getattr(self, name)}", "weekdays from 0 (Monday) to 6 (Sunday)"))
        if both := set(self.days) & set(self.half_days):
            what = f"{', '.join(WEEKDAYS[day] for day in sorted(both))} also in days"
            faults.append(Fault("half_days", what, "weekdays that are no full days", "name a day once"))
        if self.country and not _is_known(self.country):
            allowed = "a country code such as GB, or with its part such as DE-BY"
            fix = "leave it out and name the closed days"
            faults.append(Fault("country", f"no holidays are known for {self.country!r}", allowed, fix))
        if faults:
            raise FitError(faults)

    @property
    def slots_a_week(self) -> int:
        """Slots in a week without a holiday or closure."""
        return sum(self.slots_on(weekday) for weekday in self.weekdays)

    @property
    def weekdays(self) -> tuple[int, ...]:
        """Weekdays the clinic treats on, whole or half, in order."""
        return tuple(sorted({*self.days, *self.half_days}))

    def sessions_on(self, weekday: int) -> int:
        """Slots of one laser on such a day; 0 on a day the clinic does not treat."""
        if weekday in self.days:
            return self.sessions_per_day
        return -(-self.sessions_per_day // 2) if weekday in self.half_days else 0

    def slots_on(self, weekday: int) -> int:
        """Slots of all lasers on such a day."""
        return self.machines * self.sessions_on(weekday)


def open_days(clinic: Clinic, start: date, weeks: int) -> tuple[date, ...]:
    """Days the clinic treats on, in order.

    Parameters
    ----------
    clinic : Clinic
        Its days, closures and holidays.
    start : date
        First day looked at.
    weeks : int, at least 1
        For how many weeks.

    Examples
    --------
    >>> [str(day) for day in open_days(Clinic(6, (0, 3), closed=(date(2026, 1, 8),)), date(2026, 1, 5), 2)]
    ['2026-01-05', '2026-01-12', '2026-01-15']
    """
    every = [start + timedelta(days=i) for i in range(7 * weeks)]
    closed = set(clinic.closed) | _holidays(clinic.country, every[0].year, every[-1].year)
    return tuple(day for day in every if day.weekday() in clinic.weekdays and day not in closed)


def slots_open(clinic: Clinic, start: date, weeks: int) -> IntArray:
    """Slots open in each week, shape (weeks,).

    Parameters
    ----------
    clinic : Clinic
        Its days, closures and holidays.
    start : date
        Monday of the first week.
    weeks : int, at least 1
        For how many weeks.

    Examples
    --------
    Christmas and its second day, a Thursday and a Friday, are holidays in England in 2025:

    >>> slots_open(Clinic(6, (0, 3), country="GB-ENG"), date(2025, 12, 15), 3).tolist()
    [12, 6, 6]
    """
    found = np.zeros(weeks, dtype=np.int64)
    for day in open_days(clinic, start, weeks):
        found[(day - start).days // 7] += clinic.slots_on(day.weekday())
    return found


def slots_to_cover(weekly: ArrayLike, share: float = 0.9) -> int:
    """Fewest slots to open each week so that this share of the weeks is covered, on average.

    Parameters
    ----------
    weekly : array_like of float, shape (weeks, slots + 1)
        Distribution of the slots needed in each week.
    share : float in (0, 1)
        Of 1, how many weeks must have enough slots.

    Examples
    --------
    >>> slots_to_cover([[0.2, 0.5, 0.3], [0.6, 0.4, 0.0]], 0.8)
    1
    """
    _check_share("share", share)
    return int(quantile(np.asarray(weekly, dtype=float).mean(axis=0), share))


def newsvendor(pmf: ArrayLike, idle_cost: float, missing_cost: float) -> int:
    """Slots to open so that the expected cost of idle and of missing slots is least.

    The smallest number of slots at which the chance that they are enough reaches missing / (missing + idle), the
    critical ratio of the newsvendor (Arrow, Harris and Marschak 1951, from memory).

    Parameters
    ----------
    pmf : array_like of float, shape (slots + 1,)
        Distribution of the slots needed.
    idle_cost : float, at least 0
        Cost of a slot opened and not needed.
    missing_cost : float, above 0
        Cost of a slot needed and not there.

    Raises
    ------
    FitError
        If a cost is no number, below 0, or both are 0.

    Examples
    --------
    >>> newsvendor([0.2, 0.5, 0.3], idle_cost=1, missing_cost=3)
    2
    """
    faults = [
        Fault(name, f"{value!r}", "a number from 0")
        for name, value in (("idle_cost", idle_cost), ("missing_cost", missing_cost))
        if not 0 <= value < float("inf")
    ]
    if not faults and missing_cost <= 0:
        faults = [
            Fault("missing_cost", f"{missing_cost!r}", "a number above 0", "what cannot cost needs no slot")
        ]
    if faults:
        raise FitError(faults)
    return int(quantile(np.asarray(pmf, dtype=float), missing_cost / (missing_cost + idle_cost)))


def _holidays(country: str, first: int, last: int) -> set[date]:
    if not country:
        return set()
    # heavy: only a clinic that keeps public holidays pays for it
    import holidays

    code, _, part = country.upper().partition("-")
    return set(holidays.country_holidays(code, subdiv=part or None, years=range(first, last + 1)))


def _is_known(country: str) -> bool:
    try:
        _holidays(country, 2026, 2026)
    except (NotImplementedError, KeyError, AttributeError):
        return False
    return True


def _check_share(name: str, share: float) -> None:
    if not 0 < share < 1:
        raise FitError(Fault(name, f"{share!r}", "between 0 and 1, for example 0.9"))


def _is_whole(value: object) -> bool:
    return isinstance(value, int | np.integer) and not isinstance(value, bool)


def _range_fault(name: str, value: object, low: int, high: int) -> Fault:
    return Fault(name, f"{value!r}", f"a whole number from {low} to {high}")
