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
        whole = _of_patients(courses, chances)  # (kinds, patients, block)
        share = kinds.shares(draws.never[rows]).T.astype(np.float32)  # (kinds, block)
        with np.errstate(divide="ignore"):  # a draw under which some course cannot be has no likelihood
            out[rows] = np.log(np.einsum("qpb,qb->pb", whole, share)).sum(axis=0, dtype=float)
    return out


def case_log_likelihood(courses: Courses, draws: Draws, kinds: Kinds) -> FloatArray:
    """Log likelihood of each case given the other cases of its patient, in the order of the design.

    Returns
    -------
    ndarray of float, shape (draws, cases)
    """
    out = np.empty((len(draws), len(courses.sessions)))
    several = np.isin(courses.patient, courses.patient[courses.ranks[1]]) if len(courses.ranks) > 1 else None
    for rows, chances in _blocks(courses, draws, kinds):
        share = kinds.shares(draws.never[rows]).T.astype(np.float32)
        whole = np.einsum("qpb,qb->pb", _of_patients(courses, chances), share)
        mine = np.log(whole)[courses.patient]  # (cases, block)
        if several is not None:
            for case in np.flatnonzero(several):
                others = np.flatnonzero(courses.patient == courses.patient[case])
                rest = chances[:, others[others != case]].prod(axis=1)  # (kinds, block)
                mine[case] -= np.log(np.einsum("qb,qb->b", rest, share))
        out[rows, courses.position] = mine.T
    return out


def _blocks(courses: Courses, draws: Draws, kinds: Kinds) -> Iterator[tuple[slice, NarrowArray]]:
    """Likelihood of each case under each kind of patient, shape (kinds, cases, block), a block of draws at a time."""
    n = len(courses.sessions)
    size = max(1, _BLOCK_VALUES // n)
    X = courses.X.astype(np.float32)
    ended = [courses.of_end(j) for j in range(courses.n_ends)]
    for start in range(0, len(draws), size):
        rows = slice(start, start + size)
        yield rows, _chances(courses, X, ended, draws.part(rows), kinds)


def _chances(
    courses: Courses, X: NarrowArray, ended: list[NDArray[np.int64]], draws: Draws, kinds: Kinds
) -> NarrowArray:
    n, B, K = len(X), len(draws), courses.n_ends
    odds = []  # of each end, (cases, block), without session and patient
    for j in range(K):
        case = X @ draws.coefficients[:, j].T.astype(np.float32)
        if draws.operator.shape[-1]:
            case += draws.operator[:, j].T.astype(np.float32)[courses.operator]
        odds.append(np.exp(case, out=case))
    # (ends, sessions, block)
    session = np.exp(draws.effects[:, :, courses.own].transpose(1, 2, 0)).astype(np.float32)
    out = np.empty((len(kinds.node), n, B), dtype=np.float32)
    scaled = [np.empty((n, B), dtype=np.float32) for _ in range(K)]
    total, term = np.empty((n, B), dtype=np.float32), np.empty((n, B), dtype=np.float32)
    with np.errstate(over="ignore", invalid="ignore"):
        for q, node in enumerate(kinds.node):
            ends = range(K) if kinds.responds[q] else range(1, K)
            for j in ends:
                np.multiply(odds[j], np.exp(node * draws.loading[:, j]).astype(np.float32), out=scaled[j])
            chance = out[q]
            chance[:] = 1.0
            for k, at_risk in enumerate(courses.size):
                part, other = total[:at_risk], term[:at_risk]
                part[:] = 1.0
                for j in ends:
                    part += np.multiply(scaled[j][:at_risk], session[j, k], out=other)
                chance[:at_risk] *= part
            np.divide(1.0, chance, out=chance)
            for j in range(K):
                if j in ends:
                    chance[ended[j]] *= scaled[j][ended[j]] * session[j, courses.sessions[ended[j]] - 1]
                else:
                    chance[ended[j]] = 0.0
    # odds beyond single precision at an outer node: a chance of 0 there
    return np.nan_to_num(out, copy=False, nan=0.0, posinf=0.0)


def _of_patients(courses: Courses, chances: NarrowArray) -> NarrowArray:
    """Product over the cases of each patient, shape (kinds, patients, block)."""
    whole: NarrowArray = chances[:, courses.ranks[0]]
    for later in courses.ranks[1:]:
        whole[:, courses.patient[later]] *= chances[:, later]
    return whole
