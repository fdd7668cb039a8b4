"""Demand where cases do not go on independently: distributions counted over simulated clinics."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from retreat.planning.backlog import shares_of
from retreat.planning.demand import Demand


def counted(exact: Demand, used: NDArray[np.int64], *, why: str) -> Demand:
    """The demand with its distributions counted over simulated clinics.

    Parameters
    ----------
    exact : Demand
        As if cases were independent; its spans are kept, and its parts in their shares of each week.
    used : ndarray of int, shape (runs, weeks)
        Slots used, from :func:`retreat.planning.patients.simulate`.
    why : str
        What makes cases depend on each other, for the note.

    Returns
    -------
    Demand

    Examples
    --------
    >>> from datetime import date
    >>> one = Demand(date(2026, 1, 5), np.array([[1.0], [1.0]]), {2: np.array([1.0])}, {}, 0)
    >>> found = counted(one, np.array([[0, 1], [2, 1]]), why="two eyes of a patient are alike")
    >>> found.weekly.tolist(), found.totals[2].tolist()
    ([[0.5, 0.0, 0.5], [0.0, 1.0, 0.0]], [0.0, 0.5, 0.0, 0.5])
    """
    most = int(used.max(initial=0))
    weekly = np.stack([shares_of(week, most) for week in used.T])
    together = sum(exact.parts.values(), np.zeros(len(weekly)))
    scale = np.where(together > 0, used.mean(axis=0) / np.where(together > 0, together, 1.0), 1.0)
    parts = {name: values * scale for name, values in exact.parts.items()}
    totals = {}
    for span in exact.totals:
        span_total = used[:, :span].sum(axis=1)
        totals[span] = shares_of(span_total)
    note = f"{why}: ranges are counted over {len(used):,} simulated clinics"
    return replace(exact, weekly=weekly, totals=totals, parts=parts, notes=(*exact.notes, note))
