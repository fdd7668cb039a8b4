"""Log likelihood of courses under many draws at once, patients integrated out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.nested.courses import Courses
from retreat.fitting.nested.hardness import Kinds

FloatArray = NDArray[np.float64]
NarrowArray = NDArray[np.float32]

# values of one working array, half a megabyte in single precision; of many cases so many draws together, or calls for
# the few late sessions would cost more than their arithmetic, but never more than eight megabytes
_BLOCK_VALUES, _LEAST_TOGETHER, _MOST_VALUES = 131_072, 64, 2_097_152


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
    out = _ended(courses, draws)
    for rows, chances in _blocks(courses, draws, kinds):
        whole = _over_kinds(_of_patients(courses, chances), kinds, draws.never[rows])
        with np.errstate(divide="ignore"):  # a draw under which some course cannot be has no likelihood
            out[rows] += np.log(whole, out=whole).sum(axis=0, dtype=float)
    return out


def patient_log_likelihood(courses: Courses, draws: Draws, kinds: Kinds) -> FloatArray:
    """Joint log likelihood of the cases of each patient, in the order of the patients' numbers.

    Returns
    -------
    ndarray of float, shape (draws, patients)
    """
    # with one case a patient, patients stand in the order of the cases
    patients = courses.patient if len(courses.ranks) == 1 else np.arange(len(courses.ranks[0]))
    out = np.empty((len(draws), len(patients)))
    for rows, chances in _blocks(courses, draws, kinds):
        whole = _over_kinds(_of_patients(courses, chances), kinds, draws.never[rows])
        ended = _ended_by_case(courses, draws.part(rows))
        with np.errstate(divide="ignore"):  # a draw under which some course cannot be has no likelihood
            mine = np.log(whole, out=whole).astype(float)
        if len(courses.ranks) == 1:
            mine += ended
        else:
            np.add.at(mine, courses.patient, ended)
        out[rows, patients] = mine.T
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
        mine = np.log(whole[courses.patient] if len(courses.ranks) > 1 else whole)  # (cases, block)
        for case, others in with_others:
            mine[case] -= np.log(_over_kinds(chances[:, others].prod(axis=1), kinds, never))
        out[rows, courses.position] = (mine + _ended_by_case(courses, draws.part(rows))).T
    return out


def _ended(courses: Courses, draws: Draws) -> FloatArray:
    """Sum over the cases that ended of their predictor without the patient's part, shape (draws,)."""
    out = np.zeros(len(draws))
    for j in range(courses.n_ends):
        ended = courses.of_end(j)
        own = courses.own[courses.sessions[ended] - 1]
        out += draws.coefficients[:, j] @ courses.X[ended].sum(axis=0)
        out += draws.effects[:, j] @ np.bincount(own, minlength=draws.effects.shape[2])
        if draws.operator.shape[2]:
            out += draws.operator[:, j] @ np.bincount(
                courses.operator[ended], minlength=draws.operator.shape[2]
            )
    return out


def _ended_by_case(courses: Courses, draws: Draws) -> FloatArray:
    """The same for each case, 0 for those that did not end, shape (cases, draws)."""
    out = np.zeros((len(courses.X), len(draws)))
    for j in range(courses.n_ends):
        ended = courses.of_end(j)
        out[ended] = courses.X[ended] @ draws.coefficients[:, j].T
        out[ended] += draws.effects[:, j, courses.own[courses.sessions[ended] - 1]].T
        if draws.operator.shape[-1]:
            out[ended] += draws.operator[:, j, courses.operator[ended]].T
    return out


def _over_kinds(chances: NarrowArray, kinds: Kinds, never: FloatArray) -> NarrowArray:
    """Likelihood whatever the kind, from that under each: (kinds, ..., block) to (..., block)."""
    share = kinds.shares(never).T.astype(np.float32)  # (kinds, block)
    out: NarrowArray = chances[0] * share[0]
    for q in range(1, len(chances)):
        out += chances[q] * share[q]
    return out


def _of_patients(courses: Courses, chances: NarrowArray) -> NarrowArray:
    """Product over the cases of each patient, shape (kinds, patients, block)."""
    if len(courses.ranks) == 1:
        return chances  # each case is a patient of its own, and stays where it is
    whole: NarrowArray = chances[:, courses.ranks[0]]
    for later in courses.ranks[1:]:
        whole[:, courses.patient[later]] *= chances[:, later]
    return whole


def _blocks(courses: Courses, draws: Draws, kinds: Kinds) -> Iterator[tuple[slice, NarrowArray]]:
    """Likelihood of each case under each kind of patient, but for the predictor of its end.

    Shape (kinds, cases, block), a block of draws at a time.
    """
    together = max(_BLOCK_VALUES // len(courses.X), min(_LEAST_TOGETHER, _MOST_VALUES // len(courses.X)), 1)
    size = min(together, len(draws))
    X, came = courses.X.astype(np.float32), courses.came()
    # taken once: new pages of memory cost as much as the arithmetic
    room = np.empty((2 + courses.n_ends + len(kinds.node), len(X) * size), dtype=np.float32)
    for start in range(0, len(draws), size):
        some = draws.part(slice(start, start + size))
        here = room[:, : len(X) * len(some)].reshape(len(room), len(X), len(some))
        yield slice(start, start + size), _chances(courses, X, came, some, kinds, here)


def _chances(
    courses: Courses,
    X: NarrowArray,
    came: list[tuple[int, int, slice]],
    draws: Draws,
    kinds: Kinds,
    room: NarrowArray,
) -> NarrowArray:
    """Likelihoods but for the predictor at the end, in the last arrays of the room given."""
    K = courses.n_ends
    total, term, odds, out = room[0], room[1], room[2 : 2 + K], room[2 + K :]
    begun = int(courses.size[0]) if len(courses.size) else 0
    with np.errstate(over="ignore", invalid="ignore"):
        for j in range(K):  # without session and patient
            np.matmul(X, draws.coefficients[:, j].T.astype(np.float32), out=odds[j])
            if draws.operator.shape[-1]:
                odds[j] += draws.operator[:, j].T.astype(np.float32)[courses.operator]
            np.exp(odds[j], out=odds[j])
        # (ends, sessions, block)
        session = np.exp(draws.effects[:, :, courses.own].transpose(1, 2, 0)).astype(np.float32)
        for q, node in enumerate(kinds.node):
            ends = range(K) if kinds.responds[q] else range(1, K)
            harder = np.exp(node * draws.loading.T).astype(np.float32)  # (ends, block)
            chance = out[q]
            chance[begun:] = 1.0
            for k, at_risk in enumerate(courses.size):
                part, other = (total if k else chance)[:at_risk], term[:at_risk]
                part[:] = 1.0
                for j in ends:
                    part += np.multiply(odds[j, :at_risk], session[j, k] * harder[j], out=other)
                if k:
                    chance[:at_risk] *= part
            np.divide(1.0, chance, out=chance)
            for j, _, rows in came:
                if j not in ends:
                    chance[rows] = 0.0
                elif node:
                    chance[rows] *= harder[j]
        if not np.isfinite(out.sum()):
            # odds beyond single precision at an outer node: a chance of 0 there
            np.nan_to_num(out, copy=False, nan=0.0, posinf=0.0)
    return out
