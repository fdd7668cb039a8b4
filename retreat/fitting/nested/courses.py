"""Courses laid out for a likelihood of many draws at once: longest first, the cases of a patient found together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.design import Design
from retreat.fitting.layout import pooled_sessions

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Courses:
    """Cases ordered so that those at risk at a session are a prefix, and those that ended there alike stand together.

    Parameters
    ----------
    X : ndarray of float, shape (cases, columns)
        Coded cases.
    operator, patient : ndarray of int, shape (cases,)
        Groups, numbered from 0.
    sessions, ending : ndarray of int, shape (cases,)
        Last session; 0 still in treatment, 1..K the way it ended.
    size : ndarray of int, shape (sessions,)
        Cases at risk at each session.
    own : ndarray of int, shape (sessions,)
        Position of the effect each session uses.
    position : ndarray of int, shape (cases,)
        Where each case stood in the design.
    ranks : tuple of ndarray of int
        First case of each patient, then second cases, third ones and so on.
    n_ends : int
        Ways a course can end.
    """

    X: FloatArray
    operator: IntArray
    patient: IntArray
    sessions: IntArray
    ending: IntArray
    size: IntArray
    own: IntArray
    position: IntArray
    ranks: tuple[IntArray, ...]
    n_ends: int

    @property
    def n_operators(self) -> int:
        """How many operators."""
        return int(self.operator.max()) + 1

    @property
    def n_effects(self) -> int:
        """Session effects of one end."""
        return int(self.own.max()) + 1

    def of_end(self, end: int) -> IntArray:
        """Cases that ended in this way (from 0)."""
        return np.flatnonzero(self.ending == end + 1).astype(np.int64)

    def came(self) -> list[tuple[int, int, slice]]:
        """Each way of ending at each session that was seen, both from 0, and the cases it came to."""
        last, ending = self.sessions - 1, self.ending - 1
        start = np.flatnonzero((np.diff(last, prepend=-1) != 0) | (np.diff(ending, prepend=-2) != 0))
        stop = np.append(start[1:], len(last))
        return [
            (int(ending[a]), int(last[a]), slice(int(a), int(b)))
            for a, b in zip(start, stop, strict=True)
            if ending[a] >= 0
        ]


def lay_out(design: Design) -> Courses:
    """Courses of a design, sessions pooled as its definition says."""
    order = np.lexsort((design.ending, -design.sessions))
    sessions = design.sessions[order]
    size = np.array([(sessions >= k).sum() for k in range(1, int(sessions.max()) + 1)], dtype=np.int64)
    patient = np.unique(design.patient[order], return_inverse=True)[1].astype(np.int64)
    return Courses(
        X=np.ascontiguousarray(design.X[order]),
        operator=design.operator[order],
        patient=patient,
        sessions=sessions,
        ending=design.ending[order],
        size=size,
        own=pooled_sessions(size.astype(float), design.definition.sessions.pool_below),
        position=order.astype(np.int64),
        ranks=_ranks(patient),
        n_ends=design.n_ends,
    )


def _ranks(patient: IntArray) -> tuple[IntArray, ...]:
    by_patient = np.argsort(patient, kind="stable")
    start = np.flatnonzero(np.diff(patient[by_patient], prepend=-1))
    count = np.diff(np.append(start, len(patient)))
    return tuple(by_patient[start[count > r] + r].astype(np.int64) for r in range(int(count.max())))
