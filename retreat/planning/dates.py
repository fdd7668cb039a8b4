"""Dates of the tables as whole weeks, Monday to Sunday."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError

if TYPE_CHECKING:
    import pandas as pd

IntArray = NDArray[np.int64]

_DAY_ZERO = date(1970, 1, 5)  # a Monday
_WHOLE_DATE = 10  # characters of an ISO date; a year alone has four
NO_DATE = -1


def first_monday(today: date) -> date:
    """The Monday after a day: week 1 of a plan begins on it, and no part of a week already begun is in it.

    Examples
    --------
    >>> first_monday(date(2026, 11, 25)).isoformat(), first_monday(date(2026, 11, 23)).isoformat()
    ('2026-11-30', '2026-11-30')
    """
    return today + timedelta(days=7 - today.weekday())


def real_day() -> date:
    """The day it is; the one clock of planning, so that tests can set it."""
    return date.today()


def day_number(day: date) -> int:
    """Days since a Monday in 1970, so that a week is this number divided by 7."""
    return (day - _DAY_ZERO).days


def last_whole_week(today: date) -> int:
    """Number of the last week seen to its end: the week of today from Friday on, else the one before.

    Examples
    --------
    >>> last_whole_week(date(1970, 1, 9)), last_whole_week(date(1970, 1, 14))
    (0, 0)
    """
    return day_number(today) // 7 - (today.weekday() < 4)


def start_days(cases: pd.DataFrame) -> IntArray:
    """Day number of each case's first session, -1 where the case has not begun.

    Parameters
    ----------
    cases : DataFrame
        The typed `cases`.

    Returns
    -------
    ndarray of int, shape (cases,)

    Raises
    ------
    FitError
        If begun cases bear only a year: weeks cannot be told from it.

    Examples
    --------
    >>> import pandas as pd
    >>> start_days(pd.DataFrame({"case": ["a", "b"], "started": ["1970-01-12", "not_applicable"]})).tolist()
    [7, -1]
    """
    started = cases["started"].astype("str")
    whole = started.str.len().eq(_WHOLE_DATE) & started.str[:4].str.isdigit()
    by_year = started.str.fullmatch(r"\d{4}")
    if by_year.any():
        raise FitError(
            Fault(
                "started",
                f"{int(by_year.sum())} of {len(cases)} cases bear a year only",
                "the full date of the first session",
                "plan from the clinic's own tables, where dates are whole",
                column="started",
            )
        )
    unwritten = ~whole & (cases["sessions"] > 0) if "sessions" in cases else ~whole & False
    if unwritten.any():
        raise FitError(
            Fault(
                "started",
                f"{int(unwritten.sum())} cases with sessions bear no date",
                "the full date of the first session",
                "write the dates, or leave these cases out",
                column="started",
            )
        )
    out = np.full(len(cases), NO_DATE, dtype=np.int64)
    if whole.any():
        days = started[whole].to_numpy(dtype="datetime64[D]") - np.datetime64(_DAY_ZERO, "D")
        out[whole.to_numpy(dtype=bool)] = days.astype(np.int64)
    return out


def last_seen(cases: pd.DataFrame, visits: pd.DataFrame | None = None) -> date:
    """The last day of which the tables tell: of a first session or of a row of visits.

    Raises
    ------
    FitError
        If no case has begun.
    """
    start = start_days(cases)
    if not (start != NO_DATE).any():
        raise FitError(Fault("started", "no case has begun", "at least one dated case", "say what today is"))
    last = int(start.max())
    if visits is not None and len(visits):
        last = max(last, int(visit_days(cases, visits).max()))
    return _DAY_ZERO + timedelta(days=last)


def visit_days(cases: pd.DataFrame, visits: pd.DataFrame) -> IntArray:
    """Day number of each row of visits, -1 where its day or the start of its case is not known."""
    import pandas as pd  # heavy: only whoever plans pays for it

    start = pd.Series(start_days(cases), index=cases["case"].to_numpy())
    of_case = visits["case"].map(start).fillna(NO_DATE).to_numpy(dtype=np.int64)
    day = visits["day"].to_numpy(dtype=float)
    known = np.isfinite(day) & (of_case != NO_DATE)
    return np.where(known, of_case + np.where(known, day, 0).astype(np.int64), NO_DATE)


def check_not_later(days: IntArray, today: date, *, where: str) -> None:
    """Refuse days after today.

    Raises
    ------
    FitError
        With how many there are and the last of them.
    """
    late = days > day_number(today)
    if late.any():
        last = _DAY_ZERO + timedelta(days=int(days.max()))
        what = f"{int(late.sum())} dates after {today.isoformat()}, the last {last.isoformat()}"
        raise FitError(Fault(where, what, "dates up to today", "correct the dates, or say what today is"))
