"""When the further sessions of a case use slots: renewals of gaps, missed bookings and re-bookings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from retreat.planning.gaps import Gaps

FloatArray = NDArray[np.float64]


def slots_by_session(first: FloatArray, gaps: Gaps, *, weeks: int, sessions: int) -> FloatArray:
    """Chance that a slot of a week is used for a further session, given that this session is needed.

    A booking is missed with a fixed chance and then booked again, each time using a slot; the next session is
    booked a gap after the one attended. Bookings of a case lie at least a week apart, so that it uses at most one
    slot a week and the chances of its sessions add.

    Parameters
    ----------
    first : ndarray of float, shape (..., any)
        Chance that the first booking falls in each week, from week 0; adds to at most 1. Leading axes are several.
    gaps : Gaps
        What follows.
    weeks : int
        Weeks of the answer.
    sessions : int
        Further sessions of the answer.

    Returns
    -------
    ndarray of float, shape (..., sessions, weeks)

    Examples
    --------
    >>> from retreat.planning.gaps import assumed_gaps
    >>> slots_by_session(np.array([1.0]), assumed_gaps(1), weeks=3, sessions=2).tolist()
    [[1.0, 0.0, 0.0], [0.0, 0.75, 0.25]]
    """
    again = _steps(renewals(gaps.missed * _fitted(gaps.rebooked, weeks)))
    gap = _steps((1.0 - gaps.missed) * _fitted(gaps.pmf, weeks))
    booked = _fitted(first, weeks)
    out = np.empty((*booked.shape[:-1], sessions, weeks))
    for j in range(sessions):
        out[..., j, :] = booked @ again
        booked = out[..., j, :] @ gap
    return out


def slot_counts(
    first: FloatArray, gaps: Gaps, *, spans: tuple[int, ...], sessions: int
) -> tuple[FloatArray, ...]:
    """Chance that a case uses at least b slots within a span, by the further session its b-th slot is for.

    Parameters
    ----------
    first, gaps, sessions
        As for :func:`slots_by_session`.
    spans : tuple of int
        Weeks of each span, all from week 0.

    Returns
    -------
    tuple of ndarray of float, each of shape (..., slots, sessions)
        Entry (b - 1, j - 1): the b-th slot falls in the span and is for further session j, given that this session
        is needed; summed with the chances of needing it over j, the chance of at least b slots.
    """
    weeks = max(spans)
    again = _steps(gaps.missed * _fitted(gaps.rebooked, weeks))
    gap = _steps((1 - gaps.missed) * _fitted(gaps.pmf, weeks))
    booked = _fitted(first, weeks)
    by_week = np.zeros((weeks, *booked.shape[:-1], sessions, weeks))  # (slot, ..., session, week)
    by_week[0, ..., 0, :] = booked
    for b in range(1, weeks):
        reached = min(b, sessions)
        before = by_week[b - 1, ..., :reached, :]
        by_week[b, ..., :reached, :] = before @ again
        further = min(reached, sessions - 1)
        by_week[b, ..., 1 : further + 1, :] += before[..., :further, :] @ gap
    by_week = np.cumsum(by_week, axis=-1)
    return tuple(np.moveaxis(by_week[:span, ..., span - 1], 0, -2) for span in spans)


def sessions_within(gaps: Gaps, weeks: int, *, least_chance: float = 1e-4) -> int:
    """Further sessions a case can have within so many weeks, later ones being less likely than `least_chance`."""
    first = gaps.pmf[1:] if gaps.returning else np.ones(1)
    reached = slots_by_session(first / max(first.sum(), 1e-12), gaps, weeks=weeks, sessions=weeks).sum(axis=1)
    return max(1, int((reached >= least_chance).sum()))


def renewals(pmf: FloatArray) -> FloatArray:
    """Expected number of renewals in each week, the one in week 0 included; nothing renews in its own week.

    Parameters
    ----------
    pmf : ndarray of float, shape (weeks,)
        Chance that the next follows so many weeks after; entry 0 is not looked at.

    Returns
    -------
    ndarray of float, shape (weeks,)
    """
    out = np.zeros(len(pmf))
    out[0] = 1.0
    for w in range(1, len(pmf)):
        out[w] = out[:w] @ pmf[w:0:-1]
    return out


def _steps(pmf: FloatArray) -> FloatArray:
    """Matrix that carries chances by week on by so many weeks, shape (weeks, weeks)."""
    n = len(pmf)
    ahead = np.arange(n)[None, :] - np.arange(n)[:, None]
    return np.where(ahead >= 0, pmf[np.maximum(ahead, 0)], 0.0)


def _fitted(values: FloatArray, weeks: int) -> FloatArray:
    """The last axis cut or filled with zeros to so many weeks."""
    out = np.zeros((*values.shape[:-1], weeks))
    kept = min(weeks, values.shape[-1])
    out[..., :kept] = values[..., :kept]
    return out
