"""The rungs of the ladder: what each lets move, and how many ended cases it asks for."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import ceil
from typing import Literal

import numpy as np

from retreat.errors import Fault, FitError
from retreat.updating.likelihood import FloatArray, IntArray, Point, Rows
from retreat.updating.practice import Practice

Step = Literal["none", "intercepts", "intercepts_slope", "re_estimation"]
STEPS: tuple[Step, ...] = ("none", "intercepts", "intercepts_slope", "re_estimation")
WORDS: dict[Step, str] = {
    "none": "the model as it is",
    "intercepts": "a shift of the level",
    "intercepts_slope": "a shift of the level and a slope on the model's own score",
    "re_estimation": "re-estimation of all coefficients and session effects",
}
# Cases ended in a way for each parameter of that end (common practice: ten events a parameter; Peduzzi and others,
# J Clin Epidemiol 1996;49:1373, from memory). The criteria of Riley and others ask for an R squared, which a practice
# about to update does not know; the closed test and held-out calibration guard what this rule lets pass.
ENDED_PER_PARAMETER = 10


@dataclass(frozen=True)
class Ladder:
    """What each rung lets move in each end, given the cases of a practice.

    An end takes part in a rung only if it was seen often enough for it (:data:`ENDED_PER_PARAMETER`); else it stays at
    the highest rung that it supports, so that an end seen seldom holds no other back.

    Parameters
    ----------
    point : Point
        The model's parameters, the mean of its draws.
    mean : ndarray of float, shape (columns,)
        Mean of the coded columns over sessions at risk: the slope turns about it.
    varying : ndarray of int, shape (varying columns,)
        Columns that are not the same in all cases; the others are kept.
    n_ended : ndarray of int, shape (ends,)
        Cases ended in each way.
    ended_at : ndarray of int, shape (ends, sessions)
        The same by session.
    n_independent : int
        How many of the varying columns can be told apart.
    has_slope : tuple of bool
        For each end, whether the model tells these cases apart at all.
    """

    point: Point
    mean: FloatArray
    varying: IntArray
    n_ended: IntArray
    ended_at: IntArray
    n_independent: int
    has_slope: tuple[bool, ...]

    @cached_property
    def n_parameters(self) -> IntArray:
        """Parameters of each end on each rung, shape (ends, rungs)."""
        out = np.zeros((self.point.n_ends, len(STEPS)), dtype=np.int64)
        for end, slope in enumerate(self.has_slope):
            full = self.n_independent + len(self._own_sessions(end))
            out[end] = (0, 1, 1 + int(slope), max(full, 1 + int(slope)))
        return out

    @cached_property
    def reach(self) -> IntArray:
        """Highest rung each end supports, shape (ends,)."""
        enough = self.n_ended[:, None] >= ENDED_PER_PARAMETER * self.n_parameters
        # rungs ask for ever more, so those supported come first
        return np.asarray(enough.sum(axis=1) - 1, dtype=np.int64)

    @property
    def supported(self) -> Step:
        """Highest rung that any end supports."""
        return STEPS[int(self.reach.max())]

    def rung_of(self, step: Step) -> IntArray:
        """Rung each end takes when this step is made, shape (ends,)."""
        return np.minimum(self.reach, STEPS.index(step))

    def needed(self, step: Step) -> IntArray:
        """Ended cases each end needs for a step, shape (ends,)."""
        return np.asarray(ENDED_PER_PARAMETER * self.n_parameters[:, STEPS.index(step)])

    def degrees(self, step: Step) -> int:
        """Parameters of a step over all ends."""
        rung = self.rung_of(step)
        return int(sum(self.n_parameters[end, rung[end]] for end in range(len(rung))))

    def directions(self, step: Step) -> FloatArray:
        """Directions of a step in the model's parameters, shape (ends, columns + sessions, m)."""
        found = [one for end, rung in enumerate(self.rung_of(step)) for one in self._of_end(end, int(rung))]
        p, shape = self.point, (self.point.n_ends, self.point.n_columns + self.point.n_sessions)
        return np.stack(found, axis=-1) if found else np.zeros((p.n_ends, shape[1], 0))

    def _of_end(self, end: int, rung: int) -> list[FloatArray]:
        p = self.point.n_columns
        found = []
        if rung >= 1:
            level = self._nothing()
            level[end, p:] = 1.0
            found.append(level)
        if rung >= 2 and self.has_slope[end]:
            slope = self._nothing()
            slope[end, :p] = self.point.coefficients[end]
            slope[end, p:] = -self.mean @ self.point.coefficients[end]
            found.append(slope)
        if rung >= 3:
            for column in self.varying:
                own = self._nothing()
                own[end, column], own[end, p:] = 1.0, -self.mean[column]
                found.append(own)
            for first in self._own_sessions(end)[1:]:
                later = self._nothing()
                later[end, p + first :] = 1.0
                found.append(later)
        return found

    def _nothing(self) -> FloatArray:
        return np.zeros((self.point.n_ends, self.point.n_columns + self.point.n_sessions))

    def _own_sessions(self, end: int) -> list[int]:
        """Positions of sessions whose level is re-estimated by itself: the first, and those with ends enough."""
        enough = self.ended_at[end] >= ENDED_PER_PARAMETER
        return [0, *(k for k in range(1, len(enough)) if enough[k] and enough[: k + 1].all())]


def ladder_of(practice: Practice, rows: Rows, point: Point) -> Ladder:
    """The ladder of a practice's cases."""
    p = practice.X.shape[1]
    at_risk = practice.sessions / practice.sessions.sum()
    varying = np.flatnonzero(np.ptp(practice.X, axis=0) > 0) if p else np.zeros(0, dtype=np.intp)
    centred = practice.X[:, varying] - practice.X[:, varying].mean(axis=0)
    ended_at = np.zeros((point.n_ends, point.n_sessions), dtype=np.int64)
    ended = rows.ended > 0
    np.add.at(ended_at, (rows.ended[ended] - 1, rows.session[ended]), 1)
    score = centred @ point.coefficients[:, varying].T  # (cases, ends)
    return Ladder(
        point=point,
        mean=at_risk @ practice.X,
        varying=varying.astype(np.int64),
        n_ended=practice.n_ended(point.n_ends),
        ended_at=ended_at,
        n_independent=int(np.linalg.matrix_rank(centred)) if len(varying) else 0,
        has_slope=tuple(bool(spread > 1e-6) for spread in score.std(axis=0)),
    )


def check_step(step: Step, ladder: Ladder, ends: tuple[str, ...], n_cases: int) -> None:
    """Refuse a step that the cases do not support, with what they do and how many more it takes.

    Raises
    ------
    FitError
        If no end supports it.
    """
    if STEPS.index(step) <= STEPS.index(ladder.supported):
        return
    raise FitError(
        Fault(
            "step",
            f"{step} needs {shortage(step, ladder, ends)}",
            f"{ladder.supported}: {WORDS[ladder.supported]}"
            if ladder.supported != "none"
            else "none: too few ended cases for any change",
            f"use step={ladder.supported!r} or 'auto'. {next_rung(ladder, ends, n_cases)}".strip(),
        )
    )


def shortage(step: Step, ladder: Ladder, ends: tuple[str, ...]) -> str:
    """How many ended cases a step needs in one of the ends, and how many there are."""
    needed = ladder.needed(step)
    parts = [
        f"{needed[j]} that ended {end} ({ladder.n_parameters[j, STEPS.index(step)]} parameters; there are "
        f"{ladder.n_ended[j]})"
        for j, end in enumerate(ends)
    ]
    return " or ".join(parts)


def next_rung(ladder: Ladder, ends: tuple[str, ...], n_cases: int) -> str:
    """How many more cases like these the next rung takes; empty on the highest."""
    place = STEPS.index(ladder.supported) + 1
    if place >= len(STEPS):
        return ""
    step = STEPS[place]
    needed = ladder.needed(step)
    more = [
        (ceil((needed[j] - ladder.n_ended[j]) * n_cases / ladder.n_ended[j]), end)
        for j, end in enumerate(ends)
        if 0 < ladder.n_ended[j] < needed[j]
    ]
    if not more:
        return ""
    n, end = min(more)
    return (
        f"About {n} more cases like these would support {step.replace('_', ' and ' if place == 2 else '-')} "
        f"of {end}."
    )
