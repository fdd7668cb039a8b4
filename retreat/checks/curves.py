"""Incidence in replicated clinics, over what was observed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.checks.replication import Clinics
from retreat.checks.tails import range_of, two_sided
from retreat.fitting.design import Design
from retreat.model.support import SMALL_CELL
from retreat.validation.observed import product_limit

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class ForeseenIncidence:
    """Incidence of an end by a session: observed, and the range of the replicated clinics with its tail `p`."""

    end: str
    session: int
    n_at_risk: int
    observed: float
    low: float
    high: float
    p: float


@dataclass(frozen=True)
class Curves:
    """Aalen-Johansen curves, observed and of some of the replicated clinics.

    Parameters
    ----------
    ends : tuple of str
        Names of the ends.
    observed : ndarray of float, shape (ends, sessions)
        As seen, up to the last session that 11 cases had.
    replicated : ndarray of float, shape (clinics, ends, sessions)
        In the clinics.
    rows : tuple of ForeseenIncidence
        By end and session.
    """

    ends: tuple[str, ...]
    observed: FloatArray
    replicated: FloatArray
    rows: tuple[ForeseenIncidence, ...]


def last_told(sessions: IntArray) -> int:
    """Last session that enough cases had to be told; 1 at least.

    Examples
    --------
    >>> last_told(np.repeat([1, 2, 3], [5, 8, 3]))
    2
    """
    reached = (sessions[:, None] >= np.arange(1, int(sessions.max()) + 1)).sum(axis=0)
    return max(1, int((reached >= SMALL_CELL).sum()))


def incidence_of(sessions: IntArray, ending: IntArray, *, n_ends: int, horizon: int) -> FloatArray:
    """Aalen-Johansen incidence of many clinics, shape (clinics, ends, horizon); NaN where nobody is left to tell."""
    at_risk = np.stack([(sessions >= k).sum(axis=1) for k in range(1, horizon + 1)], axis=1).astype(float)
    events = np.stack(
        [
            [((sessions == k) & (ending == j)).sum(axis=1) for k in range(1, horizon + 1)]
            for j in range(1, n_ends + 1)
        ]
    ).astype(float)  # (ends, horizon, clinics)
    incidence, staying = product_limit(events.transpose(2, 0, 1), at_risk)
    blind = (at_risk == 0) & (staying > 1e-12)
    return np.where(blind[:, None], np.nan, incidence)


def curves(design: Design, clinics: Clinics, *, level: float, shown: int) -> Curves:
    """Curves of a design and of clinics replicated from its posterior.

    Parameters
    ----------
    design : Design
        Cases as seen.
    clinics : Clinics
        Replicates.
    level : float in (0, 1)
        Share of the clinics within the range told.
    shown : int
        Clinics whose curves are kept for drawing.
    """
    horizon = last_told(design.sessions)
    ends = design.definition.ends
    seen = incidence_of(design.sessions[None], design.ending[None], n_ends=len(ends), horizon=horizon)[0]
    foreseen = incidence_of(clinics.sessions, clinics.ending, n_ends=len(ends), horizon=horizon)
    rows = [
        ForeseenIncidence(
            end,
            k + 1,
            int((design.sessions > k).sum()),
            float(seen[j, k]),
            *range_of(foreseen[:, j, k], level),
            two_sided(float(seen[j, k]), foreseen[:, j, k]),
        )
        for j, end in enumerate(ends)
        for k in range(horizon)
    ]
    return Curves(ends, seen, foreseen[_evenly(len(clinics), shown)], tuple(rows))


def _evenly(n: int, shown: int) -> Sequence[int]:
    kept: list[int] = np.linspace(0, n - 1, min(n, shown)).astype(int).tolist()
    return kept
