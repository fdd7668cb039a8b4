"""Demand where cases do not go on independently: distributions counted over simulated clinics."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from retreat.planning.demand import Demand


def counted(exact: Demand, used: NDArray[np.int64], *, why: str) -> Demand:
    """The demand with its distributions counted over simulated clinics.

    Parameters
    ----------
    exact : Demand
        As if cases were independent; its parts and spans are kept.
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
    weekly = np.stack([_shares(week, most) for week in used.T])
    totals = {}
    for span in exact.totals:
        together = used[:, :span].sum(axis=1)
        totals[span] = _shares(together, int(together.max(initial=0)))
    note = f"{why}: ranges are counted over {len(used):,} simulated clinics"
    return replace(exact, weekly=weekly, totals=totals, notes=(*exact.notes, note))


def _shares(counts: NDArray[np.int64], most: int) -> NDArray[np.float64]:
    return np.bincount(counts, minlength=most + 1) / len(counts)
