"""Cases in treatment told from cases lost, by their last visit."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from retreat.study.cohort.studied import BoolArray

if TYPE_CHECKING:
    import pandas as pd

# about three times the usual gap between sessions [our judgement]
LOST_AFTER_DAYS = 180


def last_contact(begun: pd.DataFrame, visits: pd.DataFrame, *, lost_after: int) -> dict[str, BoolArray]:
    """Ongoing cases by whether they were seen lately.

    Parameters
    ----------
    begun : DataFrame
        Checked cases that have begun.
    visits : DataFrame
        Checked visits.
    lost_after : int
        A case is lost if it was last seen more days than this before the last visit of the table.

    Returns
    -------
    dict of str to ndarray of bool, shape (cases,)
        ``seen lately``, ``lost``, ``not told`` (no full date); empty when no case has a full date.
    """
    import pandas as pd

    # a year alone is no date
    full = begun["started"].where(begun["started"].str.len() == len("2020-01-31"))
    started = pd.to_datetime(full, format="%Y-%m-%d", errors="coerce")
    attended = visits[visits["missed"] != "yes"]
    days = begun["case"].map(attended.groupby("case")["day"].max())
    seen = started + pd.to_timedelta(days, unit="D")
    if seen.isna().all():
        return {}
    ago = (seen.max() - seen).dt.days.to_numpy(dtype=float)
    ongoing = (begun["ending"] == "ongoing").to_numpy(dtype=bool)
    told = ~np.isnan(ago)
    return {
        "seen lately": ongoing & told & (ago <= lost_after),
        "lost": ongoing & told & (ago > lost_after),
        "not told": ongoing & ~told,
    }
