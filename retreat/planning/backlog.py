"""Work that is not done in its week and waits: what is needed carried from week to week against the slots open."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Backlog:
    """What each simulated clinic has to do, does, and leaves waiting.

    Parameters
    ----------
    need : ndarray of int, shape (runs, weeks)
        Slots that fall due in each week.
    work : ndarray of int, shape (runs, weeks)
        Those and what was left waiting before.
    left : ndarray of int, shape (runs, weeks)
        What is left waiting at the end of each week.
    """

    need: IntArray = field(repr=False)
    work: IntArray = field(repr=False)
    left: IntArray = field(repr=False)

    @property
    def runs(self) -> int:
        """Simulated clinics."""
        return len(self.left)

    @property
    def done(self) -> IntArray:
        """Slots used, shape (runs, weeks)."""
        return self.work - self.left

    @property
    def waiting(self) -> FloatArray:
        """Chance that work is left waiting at the end of each week, shape (weeks,)."""
        return np.asarray((self.left > 0).mean(axis=0))

    @property
    def mean_left(self) -> FloatArray:
        """Mean slots left waiting at the end of each week, shape (weeks,)."""
        return np.asarray(self.left.mean(axis=0))

    def ever(self, weeks: int) -> float:
        """Chance that work is left waiting at the end of at least one of the first so many weeks."""
        return float((self.left[:, :weeks] > 0).any(axis=1).mean())


def carried(need: IntArray, slots: IntArray) -> Backlog:
    """Carry what is not done: left = max(0, left before + need - open).

    Delays are not passed on to later sessions; :mod:`retreat.planning.queue` does so.

    Parameters
    ----------
    need : ndarray of int, shape (runs, weeks)
        Slots that fall due, from :func:`retreat.planning.patients.simulate`.
    slots : ndarray of int, shape (weeks,)
        Slots open.

    Examples
    --------
    >>> found = carried(np.array([[3, 0, 5], [1, 1, 1]]), np.array([2, 0, 4]))
    >>> found.left.tolist(), found.waiting.tolist(), found.ever(2)
    ([[1, 1, 2], [0, 1, 0]], [0.5, 1.0, 0.5], 1.0)
    """
    work, left = np.empty_like(need), np.empty_like(need)
    before = np.zeros(len(need), dtype=np.int64)
    for w, room in enumerate(np.asarray(slots).tolist()):
        work[:, w] = before + need[:, w]
        before = np.maximum(work[:, w] - room, 0)
        left[:, w] = before
    return Backlog(need, work, left)


def enough_a_week(need: IntArray, part_open: FloatArray, share: float) -> int:
    """Fewest slots a whole week with which this share of the weeks open ends with nothing left waiting.

    Parameters
    ----------
    need : ndarray of int, shape (runs, weeks)
        Slots that fall due.
    part_open : ndarray of float, shape (weeks,)
        How much of a whole week each is open, 0 where it is closed; at least one is open.
    share : float in (0, 1)
        Of 1, how many.

    Examples
    --------
    The second week is closed, so that the third holds the work of two:

    >>> enough_a_week(np.full((1, 3), 4), np.array([1.0, 0.0, 1.0]), 0.9)
    8
    """
    opened = np.flatnonzero(part_open > 0)
    if not len(opened):
        raise FitError(Fault("slots", "no week is open", "at least one open week"))
    low, high = 0, int(np.ceil(need.sum(axis=1).max() / part_open[opened].min())) + 1
    while low < high:
        middle = (low + high) // 2
        left = carried(need, np.floor(middle * part_open + 1e-9).astype(np.int64)).waiting
        if left[opened].mean() <= 1.0 - share:
            high = middle
        else:
            low = middle + 1
    return low


def per_open_week(need: IntArray, slots: IntArray) -> FloatArray:
    """Distribution of what falls to an open week, that of closed weeks before it included, shape (slots + 1,).

    Parameters
    ----------
    need : ndarray of int, shape (runs, weeks)
        Slots that fall due.
    slots : ndarray of int, shape (weeks,)
        Slots open; weeks with none pass their need on.
    """
    before = np.zeros(len(need), dtype=np.int64)
    found = []
    for w, room in enumerate(np.asarray(slots).tolist()):
        before = before + need[:, w]
        if room:
            found.append(before)
            before = np.zeros(len(need), dtype=np.int64)
    return shares_of(np.concatenate(found)) if found else np.ones(1)


def shares_of(counts: IntArray, most: int | None = None) -> FloatArray:
    """Share of runs with each count, from 0."""
    size = int(counts.max(initial=0)) if most is None else most
    return np.asarray(np.bincount(counts, minlength=size + 1) / max(1, len(counts)))
