"""Whether past weeks were full: what a clinic could not take is in none of its tables."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from retreat.planning.capacity import Clinic, slots_open
from retreat.planning.dates import NO_DATE, day_number, first_monday, last_whole_week, visit_days

if TYPE_CHECKING:
    import pandas as pd

_QUARTER = 13


@dataclass(frozen=True)
class FullWeeks:
    """Open weeks of the last quarter, and those in which every slot was used.

    Parameters
    ----------
    full, seen : int
        Weeks.
    """

    full: int
    seen: int

    @property
    def bound(self) -> bool:
        """Whether most weeks were full, so that starts and gaps are held down by the slots there were."""
        return 2 * self.full > self.seen

    @property
    def note(self) -> str:
        """What it means, in words."""
        return (
            f"in {self.full} of the last {self.seen} open weeks every slot was used: starts, gaps and second eyes "
            "learned from them are limited by capacity, so that slots needed and waits are lower bounds"
        )


def full_weeks(cases: pd.DataFrame, visits: pd.DataFrame | None, clinic: Clinic, today: date) -> FullWeeks:
    """Count the full weeks of the last 13, as if the clinic had been open then as it is to be.

    Parameters
    ----------
    cases, visits : DataFrame
        Sound tables; without visits nothing is known.
    clinic : Clinic
        What is open.
    today : date
        Day on which the tables were closed.
    """
    if visits is None or not clinic.slots_a_week:
        return FullWeeks(0, 0)
    last = last_whole_week(today)
    monday = first_monday(today) - timedelta(weeks=day_number(first_monday(today)) // 7 - last + _QUARTER - 1)
    first = day_number(monday) // 7
    day = visit_days(cases, visits)
    week = day[day != NO_DATE] // 7 - first
    used = np.bincount(week[(week >= 0) & (week < _QUARTER)], minlength=_QUARTER)
    room = slots_open(clinic, monday, _QUARTER)
    return FullWeeks(int(((used >= room) & (room > 0)).sum()), int((room > 0).sum()))
