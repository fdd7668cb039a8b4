"""Log likelihood of courses under many draws at once, patients integrated out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.nested.courses import Courses
from retreat.fitting.nested.hardness import Kinds

FloatArray = NDArray[np.float64]
NarrowArray = NDArray[np.float32]

# values of one working array: 256 KB in single precision, so that the four in use stay in cache
_BLOCK_VALUES = 65_536


@dataclass(frozen=True)
class Draws:
    """Draws of what the likelihood depends on.

    Parameters
    ----------
    coefficients : ndarray, shape (draws, ends, columns)
        Effects of the columns.
    effects : ndarray, shape (draws, ends, effects)
        Session effects, one a pooled session.
    operator : ndarray, shape (draws, ends, operators)
        Effects of the operators; 0 operators where they do not enter.
    loading : ndarray, shape (draws, ends)
        Effects of the patient factor.
    never : ndarray, shape (draws,)
        Share of patients whose eyes never respond.
    """

    coefficients: FloatArray
    effects: FloatArray
    operator: FloatArray
    loading: FloatArray
    never: FloatArray

    def __len__(self) -> int:
        """How many draws."""
        return len(self.coefficients)

    def part(self, rows: slice) -> Draws:
        """Some of the draws."""
        return Draws(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))


def log_likelihood(courses: Courses, draws: Draws, kinds: Kinds) -> FloatArray:
    """Log likelihood of all courses, shape (draws,)."""
    out = np.empty(len(draws))
    for rows, chances in _blocks(courses, draws, kinds):
        whole = _over_kinds(_of_patients(courses, chances), kinds, draws.never[rows])
        with np.errstate(divide="ignore"):  # a draw under which some course cannot be has no likelihood
            out[rows] = np.log(whole, out=whole).sum(axis=1, dtype=float)
    return out


def case_log_likelihood(courses: Courses, draws: Draws, kinds: Kinds) -> FloatArray:
    """Log likelihood of each case given the other cases of its patient, in the order of the design.

    Returns
    -------
    ndarray of float, shape (draws, cases)
    """
    out = np.empty((len(draws), len(courses.sessions)))
    with_others = [
        (case, np.setdiff1d(np.flatnonzero(courses.patient == courses.patient[case]), case))
        for later in courses.ranks[1:2]
        for case in np.flatnonzero(np.isin(courses.patient, courses.patient[later]))
    ]
    for rows, chances in _blocks(courses, draws, kinds):
        never = draws.never[rows]
        whole = _over_kinds(_of_patients(courses, chances), kinds, never)
        # with one case a patient, patients stand in the order of the cases
        mine = np.log(whole[:, courses.patient] if len(courses.ranks) > 1 else whole)
        for case, others in with_others:
            mine[:, case] -= np.log(_over_kinds(chances[..., others].prod(axis=2, keepdims=True), kinds, never))[:, 0]
        out[rows, courses.position] = mine
    return out


def _over_kinds(chances: NarrowArray, kinds: Kinds, never: FloatArray) -> NarrowArray:
    """Likelihood whatever the kind, from that under each: (kinds, block, ...) to (block, ...)."""
    share = kinds.shares(never).astype(np.float32)  # (block, kinds)
    out = chances[0] * share[:, :1]
    for q in range(1, len(chances)):
        out += chances[q] * share[:, q, None]
    return out


def _of_patients(courses: Courses, chances: NarrowArray) -> NarrowArray:
    """Product over the cases of each patient, shape (kinds, block, patients)."""
    if len(courses.ranks) == 1:
        return chances  # each case is a patient of its own
    whole: NarrowArray = chances[..., courses.ranks[0]]
    for later in courses.ranks[1:]:
        whole[..., courses.patient[later]] *= chances[..., later]
    return whole


def _blocks(courses: Courses, draws: Draws, kinds: Kinds) -> Iterator[tuple[slice, NarrowArray]]:
    """Likelihood of each case under each kind of patient, shape (kinds, block, cases), a block of draws at a time."""
    size = max(1, _BLOCK_VALUES // len(courses.X))
    columns = courses.X
    if draws.operator.shape[-1]:
        columns = np.hstack([columns, np.eye(draws.operator.shape[-1])[courses.operator]])
    columns = np.ascontiguousarray(columns.T, dtype=np.float32)
    room, came = np.empty((2 + courses.n_ends + len(kinds.node), size, len(courses.X)), dtype=np.float32), courses.came()
    for start in range(0, len(draws), size):
        rows = slice(start, start + size)
        yield rows, _chances(courses, columns, came, draws.part(rows), kinds, room)


def _chances(
    courses: Courses,
    columns: NarrowArray,
    came: list[tuple[int, int, slice]],
    draws: Draws,
    kinds: Kinds,
    room: NarrowArray,
) -> NarrowArray:
    """Likelihoods in the room given (taken once: new pages of memory cost as much as the arithmetic)."""
    K, B = courses.n_ends, len(draws)
    total, term, scaled, out = room[0, :B], room[1, :B], room[2 : 2 + K, :B], room[2 + K :, :B]
    coefficients = np.concatenate([draws.coefficients, draws.operator], axis=2).astype(np.float32)
    with np.errstate(over="ignore", invalid="ignore"):
        odds = [coefficients[:, j] @ columns for j in range(K)]  # of each end, (block, cases), nothing else in
        for odd in odds:
            np.exp(odd, out=odd)
        # (ends, sessions, block, 1)
        session = np.exp(draws.effects[:, :, courses.own].transpose(1, 2, 0)).astype(np.float32)[..., None]
        for q, node in enumerate(kinds.node):
            ends = range(K) if kinds.responds[q] else range(1, K)
            by_end: Sequence[NarrowArray] = odds
            if node:
                by_end = scaled
                for j in ends:
                    harder = np.exp(node * draws.loading[:, j, None]).astype(np.float32)
                    np.multiply(odds[j], harder, out=scaled[j])
            chance = out[q]
            chance[:] = 1.0
            for k, at_risk in enumerate(courses.size):
                part, other = total[:, :at_risk], term[:, :at_risk]
                for number, j in enumerate(ends):
                    np.multiply(by_end[j][:, :at_risk], session[j, k], out=other if number else part)
                    if number:
                        part += other
                if len(ends):
                    part += 1.0
                    chance[:, :at_risk] *= part
            np.divide(1.0, chance, out=chance)
            for j, k, rows in came:
                if j in ends:
                    chance[:, rows] *= by_end[j][:, rows]
                    chance[:, rows] *= session[j, k]
                else:
                    chance[:, rows] = 0.0
        if not np.isfinite(out.sum()):
            # odds beyond single precision at an outer node: a chance of 0 there
            np.nan_to_num(out, copy=False, nan=0.0, posinf=0.0)
    return out
