"""Courses as what a likelihood needs: risk sets as prefixes, totals of ends, equal patterns collapsed to counts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from retreat.errors import Fault, FitError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# collapsing sorts all rows once: under this size the fit is faster than the sort
_COLLAPSE_FROM = 20_000
# and it pays only when patterns are this much fewer than cases
_COLLAPSE_AT_MOST = 0.5
# About how many keys are looked at before all are sorted: were a million cases of as many patterns as pay, some
# hundred of these would be equal
_PATTERN_SAMPLE = 20_000
# a code beyond these is a slip of coding (99 for "unknown"), and would ask for as many parameters
_MOST_SESSIONS = 999
_MOST_ENDS = 20


@dataclass(frozen=True)
class RiskSets:
    """Cases (or patterns of equal cases) ordered so that who reached session k is a prefix.

    Parameters
    ----------
    X : ndarray of float, shape (patterns, columns)
        Covariates, patterns with the longest course first.
    size : ndarray of int, shape (sessions,)
        Patterns at risk at each session: rows ``X[:size[k-1]]``.
    at_risk : ndarray of float, shape (patterns, sessions), or None
        Weighted cases of each pattern at risk at each session; None when every case weighs 1.
    events : ndarray of float, shape (ends, sessions)
        Weighted cases ending in each way at each session.
    event_sums : ndarray of float, shape (ends, columns)
        Covariates summed over the cases ending in each way.
    """

    X: FloatArray
    size: IntArray
    at_risk: FloatArray | None
    events: FloatArray
    event_sums: FloatArray

    @property
    def n_ends(self) -> int:
        """How many ends."""
        return int(self.events.shape[0])

    @property
    def max_session(self) -> int:
        """Largest session anybody reached."""
        return int(self.events.shape[1])

    def n_at_risk(self) -> FloatArray:
        """Weighted cases at risk at each session, shape (sessions,)."""
        return self.size.astype(float) if self.at_risk is None else self.at_risk.sum(axis=0)


def check_courses(sessions: ArrayLike, ending: ArrayLike) -> tuple[IntArray, IntArray]:
    """Sessions and endings as whole numbers, refused where they are not.

    Parameters
    ----------
    sessions : array_like, shape (cases,)
        Session of the end, or last session seen; whole, 1 to 999.
    ending : array_like, shape (cases,)
        0 still in treatment (censored after the session), 1..K the way of ending; K at most 20.

    Returns
    -------
    tuple of two ndarray of int, shape (cases,)

    Raises
    ------
    FitError
        If lengths differ, the input is empty, or a value is not a whole number in range; names the first
        rows (counted from 0) of each fault.

    Examples
    --------
    >>> check_courses([1, 2], [0, 1])
    (array([1, 2]), array([0, 1]))
    """
    s, e = _numbers(sessions), _numbers(ending)
    if s.ndim != 1 or e.shape != s.shape:
        raise FitError(
            Fault("sessions, ending", f"shapes {s.shape} and {e.shape}", "two vectors of one length")
        )
    if s.size == 0:
        raise FitError(Fault("sessions", "no cases", "at least one case"))
    faults = [
        fault
        for name, values, low, high in (("sessions", s, 1, _MOST_SESSIONS), ("ending", e, 0, _MOST_ENDS))
        if (fault := _whole_fault(name, values, low, high)) is not None
    ]
    if faults:
        raise FitError(faults)
    return s.astype(np.int64), e.astype(np.int64)


def risk_sets(
    X: FloatArray, sessions: IntArray, ending: IntArray, *, n_ends: int, weights: FloatArray | None = None
) -> RiskSets:
    """Risk sets of these courses; patterns are collapsed where that makes them much fewer.

    Parameters
    ----------
    X : ndarray of float, shape (cases, columns)
        Covariates.
    sessions, ending : ndarray of int, shape (cases,)
        As from :func:`check_courses`.
    n_ends : int
        Number of ends K.
    weights : ndarray of float, shape (cases,), optional
        Frequency weights, not negative.

    Examples
    --------
    >>> sets = risk_sets(np.zeros((3, 0)), np.array([2, 1, 2]), np.array([1, 1, 0]), n_ends=1)
    >>> sets.size.tolist(), sets.events.tolist()
    ([3, 2], [[1.0, 1.0]])
    """
    n_sessions = int(sessions.max())
    events = _event_totals(sessions, ending, n_ends, n_sessions, weights)
    w = np.ones(len(X)) if weights is None else weights
    event_sums = np.stack([X.T @ np.where(ending == end, w, 0.0) for end in range(1, n_ends + 1)])
    pattern = _patterns(X) if len(X) >= _COLLAPSE_FROM and X.shape[1] else None
    if pattern is not None:
        return _collapsed(X, sessions, weights, pattern, events, event_sums)
    order = np.argsort(-sessions.astype(np.int16), kind="stable")
    size = np.cumsum(np.bincount(sessions, minlength=n_sessions + 1)[:0:-1])[::-1]
    at_risk = None
    if weights is not None:
        reached = sessions[order][:, None] >= np.arange(1, n_sessions + 1)
        at_risk = weights[order][:, None] * reached
    return RiskSets(np.ascontiguousarray(X[order]), size, at_risk, events, event_sums)


def person_sessions(sessions: IntArray, ending: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    """One row a case and session at risk: position of the case, session, and how it ended there (0 not).

    Our own fits never build these rows; other software needs them.

    Examples
    --------
    >>> [a.tolist() for a in person_sessions(np.array([2, 1]), np.array([1, 0]))]
    [[0, 0, 1], [1, 2, 1], [0, 1, 0]]
    """
    case = np.repeat(np.arange(len(sessions)), sessions)
    start = np.cumsum(sessions) - sessions
    session = np.arange(len(case)) - np.repeat(start, sessions) + 1
    return case, session, np.where(session == sessions[case], ending[case], 0)


def _collapsed(
    X: FloatArray,
    sessions: IntArray,
    weights: FloatArray | None,
    pattern: tuple[IntArray, IntArray],
    events: FloatArray,
    event_sums: FloatArray,
) -> RiskSets:
    first, of_case = pattern
    n_patterns, n_sessions = len(first), events.shape[1]
    leaving = np.bincount(
        of_case * n_sessions + sessions - 1, weights=weights, minlength=n_patterns * n_sessions
    ).reshape(n_patterns, n_sessions)
    at_risk = np.cumsum(leaving[:, ::-1], axis=1)[:, ::-1]
    last = (at_risk > 0).sum(axis=1)  # sessions that anybody of weight reached
    order = np.argsort(-last, kind="stable")
    size = n_patterns - np.searchsorted(np.sort(last), np.arange(1, n_sessions + 1), side="left")
    return RiskSets(
        np.ascontiguousarray(X[first[order]]), size, np.ascontiguousarray(at_risk[order]), events, event_sums
    )


def _patterns(X: FloatArray) -> tuple[IntArray, IntArray] | None:
    """First case of each distinct row and the pattern of each case; None when too few rows are equal."""
    # a random projection tells rows apart; equality is then checked exactly
    key = X @ np.random.default_rng(0).standard_normal(X.shape[1])
    sample = key[:: len(key) // _PATTERN_SAMPLE + 1]
    if len(sample) < len(key) and len(np.unique(sample)) == len(sample):  # sorting all would be for nothing
        return None
    _, first, of_case = np.unique(key, return_index=True, return_inverse=True)
    if len(first) > _COLLAPSE_AT_MOST * len(X) or not np.array_equal(X[first][of_case], X):
        return None
    return first.astype(np.int64), of_case.astype(np.int64)


def _event_totals(
    sessions: IntArray, ending: IntArray, n_ends: int, n_sessions: int, weights: FloatArray | None
) -> FloatArray:
    ended = ending > 0
    cell = (ending[ended] - 1) * n_sessions + sessions[ended] - 1
    w = None if weights is None else weights[ended]
    return (
        np.bincount(cell, weights=w, minlength=n_ends * n_sessions).reshape(n_ends, n_sessions).astype(float)
    )


def _numbers(values: ArrayLike) -> NDArray[Any]:
    array = np.asarray(values)
    if array.dtype.kind != "O":
        return array
    try:
        return array.astype(float)  # whole numbers that travelled in a table of mixed columns
    except (TypeError, ValueError):
        return array


def _whole_fault(name: str, values: NDArray[Any], low: int, high: int) -> Fault | None:
    allowed = f"whole numbers from {low} to {high}"
    if values.dtype.kind not in "iufb":
        return Fault(name, "holds values that are not numbers", allowed)
    bad = np.flatnonzero(
        ~(np.isfinite(values) & (values >= low) & (values <= high) & (values == np.rint(values)))
    )
    if not bad.size:
        return None
    shown = ", ".join(f"{i}: {values[i]:g}" for i in bad[:3])
    return Fault(name, f"{bad.size} of {values.size} values are not allowed (row {shown})", allowed)
