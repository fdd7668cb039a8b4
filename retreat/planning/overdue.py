"""Open cases whose next session is late by what is usual in the clinic."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from retreat.planning.dates import NO_DATE, day_number, start_days, visit_days
from retreat.planning.demand import quantile
from retreat.planning.gaps import Gaps

if TYPE_CHECKING:
    import pandas as pd

# a case is overdue once this share of those who come back has come back
LATE = 0.9
COLUMNS = ("case", "sessions", "weeks_since", "usual", "late_after", "back")


def overdue(cases: pd.DataFrame, visits: pd.DataFrame | None, gaps: Gaps, today: date) -> pd.DataFrame:
    """Open cases that have waited longer for their next session than nine in ten of those who come back.

    Parameters
    ----------
    cases : DataFrame
        Sound case table.
    visits : DataFrame or None
        Sound visit table; without it only cases with one session have a known last day.
    gaps : Gaps
        Weeks between sessions in this clinic.
    today : date
        Day the list is made for.

    Returns
    -------
    pandas.DataFrame
        Columns case, sessions (done), weeks_since (whole weeks since the last session attended), usual (middle number
        of weeks to the next one), late_after (weeks by which nine in ten of those who return are back), back (chance
        in [0, 1] that a case so late ever comes back); longest waiting last, since those are least likely to come.
    """
    import pandas as pd

    last = last_sessions(cases, visits)
    late = within(gaps, LATE)
    listed = (cases["ending"] == "ongoing").to_numpy() & (last != NO_DATE)
    weeks = (day_number(today) - last) // 7
    listed &= weeks > late
    found = pd.DataFrame(
        {
            "case": cases.loc[listed, "case"].astype("str"),
            "sessions": cases.loc[listed, "sessions"].astype("int64"),
            "weeks_since": weeks[listed],
            "usual": within(gaps, 0.5),
            "late_after": late,
            "back": [float(gaps.after(int(n)).sum()) for n in weeks[listed]],
        }
    )
    return found.sort_values(["weeks_since", "case"], kind="stable").reset_index(drop=True)


def last_sessions(cases: pd.DataFrame, visits: pd.DataFrame | None) -> NDArray[np.int64]:
    """Day number of each case's last session attended, -1 where none or not told, in the order of `cases`."""
    days = start_days(cases)
    done = cases["sessions"].to_numpy()
    known = np.where(done == 1, days, NO_DATE)
    if visits is None or visits.empty:
        return known
    attended = visits[(visits["missed"] != "yes").to_numpy()]
    latest = attended.assign(on=visit_days(cases, attended)).groupby("case")["on"].max()
    return np.asarray(np.maximum(known, cases["case"].map(latest).fillna(NO_DATE).to_numpy(dtype=np.int64)))


def within(gaps: Gaps, share: float) -> int:
    """Weeks by which this share of those who come back has come back; 0 where nobody does.

    Examples
    --------
    >>> from retreat.planning.gaps import assumed_gaps
    >>> within(assumed_gaps(4.0), 0.5)
    4
    """
    return int(quantile(gaps.pmf / gaps.returning, share)) if gaps.returning > 0 else 0
