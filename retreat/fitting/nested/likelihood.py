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

# values of one working array: less than a megabyte in single precision, few enough to stay near, many enough to pay
_BLOCK_VALUES = 196_608


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
            out[rows] = np.log(whole, out=whole).sum(axis=0, dtype=float)
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
        with np.errstate(divide="ignore"):  # a draw under which some course cannot be has no likelihood
            out[rows, patients] = np.log(whole, out=whole).T
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
        out[rows, courses.position] = mine.T
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
    """Likelihood of each case under each kind of patient, shape (kinds, cases, block), a block of draws at a time."""
    size = min(max(1, _BLOCK_VALUES // len(courses.X)), len(draws))
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
    """Likelihoods, in the last arrays of the room given."""
    K = courses.n_ends
    total, term, scaled, out = room[0], room[1], room[2 : 2 + K], room[2 + K :]
    odds = []  # of each end, (cases, block), without session and patient
    with np.errstate(over="ignore", invalid="ignore"):
        for j in range(K):
            case = X @ draws.coefficients[:, j].T.astype(np.float32)
            if draws.operator.shape[-1]:
                case += draws.operator[:, j].T.astype(np.float32)[courses.operator]
            odds.append(np.exp(case, out=case))
        # (ends, sessions, block)
        session = np.exp(draws.effects[:, :, courses.own].transpose(1, 2, 0)).astype(np.float32)
        for q, node in enumerate(kinds.node):
            ends = range(K) if kinds.responds[q] else range(1, K)
            by_end: Sequence[NarrowArray] = odds
            if node:
                by_end = [
                    np.multiply(odds[j], np.exp(node * draws.loading[:, j]).astype(np.float32), out=scaled[j])
                    for j in range(K)
                ]
            chance = out[q]
            chance[:] = 1.0
            for k, at_risk in enumerate(courses.size):
                part, other = total[:at_risk], term[:at_risk]
                part[:] = 1.0
                for j in ends:
                    part += np.multiply(by_end[j][:at_risk], session[j, k], out=other)
                chance[:at_risk] *= part
            np.divide(1.0, chance, out=chance)
            for j, k, rows in came:
                if j in ends:
                    chance[rows] *= by_end[j][rows]
                    chance[rows] *= session[j, k]
                else:
                    chance[rows] = 0.0
        if not np.isfinite(out.sum()):
            # odds beyond single precision at an outer node: a chance of 0 there
            np.nan_to_num(out, copy=False, nan=0.0, posinf=0.0)
    return out
