"""The day a plan is made for: the last that the tables tell of, or the one given; never one to come."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

from retreat.errors import Fault, FitError
from retreat.planning.dates import check_not_later, last_seen, real_day, start_days, visit_days

if TYPE_CHECKING:
    import pandas as pd

# days without a row of the tables, and days since the last row, from which the reader is told
_QUIET, _STALE = 14, 7


def day_of_plan(
    today: date | str | None, cases: pd.DataFrame, visits: pd.DataFrame | None
) -> tuple[date, tuple[str, ...]]:
    """The last day that a plan knows of, and what the reader must know of it.

    Parameters
    ----------
    today : date or ISO str, optional
        As given by the user. A Monday of which the tables tell nothing yet is planned from the Sunday before, so that
        its week is the first of the plan.
    cases, visits : DataFrame
        Sound tables.

    Raises
    ------
    FitError
        If it is no date or after the real day, or a date of the tables lies after it.
    """
    if isinstance(today, str):
        try:
            today = date.fromisoformat(today)
        except ValueError:
            raise FitError(Fault("today", f"{today!r}", "an ISO date such as 2026-11-25")) from None
    now = real_day()
    if today is not None and today > now:
        raise FitError(
            Fault("today", f"{today.isoformat()} is still to come", f"a day up to {now.isoformat()}")
        )
    limit = today or now
    check_not_later(start_days(cases), limit, where="started")
    if visits is not None:
        check_not_later(visit_days(cases, visits), limit, where="visits.day")
    last = last_seen(cases, visits)
    if today is None:
        stale = (now - last).days > _STALE
        told = (
            f"the tables end on {last.isoformat()} and the plan begins there: give newer tables, or the day of the "
            "plan (today, --today) if nothing has happened since"
        )
        return last, (told,) if stale else ()
    quiet = (today - last).days > _QUIET
    told = (
        f"the tables tell of nothing after {last.isoformat()}: are they complete up to {today.isoformat()}?"
    )
    day = today - timedelta(days=1) if today.weekday() == 0 and last < today else today
    return day, (told,) if quiet else ()
