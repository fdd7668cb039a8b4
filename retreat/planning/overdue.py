"""Open cases whose next booking is late by what is usual in the clinic."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from retreat.planning.demand import quantile
from retreat.planning.gaps import Gaps
from retreat.planning.standing import Last, OpenCases

if TYPE_CHECKING:
    import pandas as pd

# a case is overdue once this share of those who come back has come back, and silent past this one
LATE, SILENT = 0.9, 0.99
COLUMNS = ("case", "sessions", "weeks_since", "missed", "usual", "late_after", "back")


def overdue(standing: OpenCases, gaps: Gaps) -> pd.DataFrame:
    """Open cases that have waited longer for their next booking than nine in ten of those who come back.

    Weeks, missed bookings and chances are those by which demand counts the same cases.

    Parameters
    ----------
    standing : OpenCases
        From :func:`retreat.planning.standing.open_cases`. Cases whose last day was only placed are not judged; see
        :func:`not_known`.
    gaps : Gaps
        Weeks between sessions in this clinic.

    Returns
    -------
    pandas.DataFrame
        Columns case, sessions (done), weeks_since (calendar weeks without a booking since the last one), missed
        (whether that was missed), usual (middle number of weeks to the next one), late_after (weeks by which nine in
        ten of those who return are back), back (chance in [0, 1] that a case so late ever comes back); longest waiting
        last, since those are least likely to come.
    """
    import pandas as pd

    missed = standing.last == Last.MISSED
    laws = {False: gaps.pmf, True: gaps.rebooked}
    late, usual = ({kind: within(pmf, share) for kind, pmf in laws.items()} for share in (LATE, 0.5))
    weeks = waited(standing)
    late_after = np.where(missed, late[True], late[False])
    listed = standing.known & ~standing.waiting & (weeks > late_after)
    found = pd.DataFrame(
        {
            "case": standing.cases["case"].astype("str"),
            "sessions": standing.cases["sessions"].astype("int64"),
            "weeks_since": weeks,
            "missed": missed,
            "usual": np.where(missed, usual[True], usual[False]),
            "late_after": late_after,
            "back": standing.back,
        }
    )[listed]
    return found.sort_values(["weeks_since", "case"], kind="stable").reset_index(drop=True)


def not_known(standing: OpenCases) -> int:
    """Cases in treatment whose last booking is not known, so that they cannot be called late."""
    return int((~standing.known & ~standing.waiting).sum())


def silent(standing: OpenCases, gaps: Gaps) -> NDArray[np.bool_]:
    """Cases not heard of for longer than 99 in 100 of those who come back, shape (cases,)."""
    return np.asarray(~standing.waiting & (waited(standing) > within(gaps.pmf, SILENT)))


def waited(standing: OpenCases) -> NDArray[np.int64]:
    """Calendar weeks without a booking since the last one, the week of today included, shape (cases,)."""
    return np.maximum(standing.weeks_since - 1, 0)


def within(pmf: NDArray[np.float64], share: float) -> int:
    """Weeks by which this share of those who come back has come back; 0 where nobody does.

    Examples
    --------
    >>> from retreat.planning.gaps import assumed_gaps
    >>> within(assumed_gaps(4.0).pmf, 0.5)
    4
    """
    return int(quantile(pmf / pmf.sum(), share)) if pmf.sum() > 0 else 0
