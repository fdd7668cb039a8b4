"""What can be worked out of hidden counts: the tables that agree with everything shown.

Counts are whole numbers, so the answers come from integer programmes (HiGHS) and not from their relaxation, whose
ranges would look wider, and hidden counts safer, than they are.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from retreat.study.suppression.linked import IntArray, Linked

if TYPE_CHECKING:
    from scipy.optimize import LinearConstraint
    from scipy.sparse import csr_array

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
type Direction = Literal["down", "up"]

# what a step of another count towards its target is worth, and what any step costs, where hidden counts cost nothing
_GAIN, _LITTLE = 1e-4, 1e-6
_ROUNDING = 1e-6


def ranges(linked: Linked, hidden: BoolArray) -> tuple[IntArray, FloatArray]:
    """Lowest and highest value of every count in any table that agrees with the counts not hidden.

    Parameters
    ----------
    linked : Linked
        The counts.
    hidden : ndarray of bool, shape (counts,)
        Which are hidden; the others are known.

    Returns
    -------
    lowest : ndarray of int, shape (counts,)
    highest : ndarray of float, shape (counts,)
        Infinite where nothing bounds the count.

    Examples
    --------
    >>> from retreat.study.suppression.linked import adds_up, link
    >>> linked = link({"all": 40, "a": 30, "b": 7, "c": 3}, [adds_up("all", "abc")])
    >>> low, high = ranges(linked, np.array([False, False, True, True]))
    >>> low.tolist(), high.tolist()
    ([40, 30, 0, 0], [40.0, 30.0, 10.0, 10.0])
    """
    lowest, highest = linked.values.copy(), linked.values.astype(float)
    for rows in blocks(linked, hidden):
        constraints = _constraints(linked, rows, hidden)
        for row, aim in zip(rows, np.eye(len(rows)), strict=True):
            lowest[row] = _lowest(aim, constraints)
            highest[row] = -_lowest(-aim, constraints)
    return lowest, highest


@dataclass(frozen=True)
class Question:
    """Whether a count could have another value.

    Parameters
    ----------
    count : int
        Its position.
    direction : {"down", "up"}
        Whether it must come down to the target or up to it.
    target : int
        The value to reach.
    """

    count: int
    direction: Direction
    target: int


def alternative(linked: Linked, free: BoolArray, question: Question, *, also: IntArray) -> IntArray | None:
    """Another table of whole numbers that answers a question.

    Parameters
    ----------
    linked : Linked
        The counts.
    free : ndarray of bool, shape (counts,)
        Which may differ from what they are.
    question : Question
        What must be reached.
    also : ndarray of int
        Other counts that had better come near the target too: one table then serves several.

    Returns
    -------
    ndarray of int, shape (counts,), or None
        The values of the table; None where there is none.
    """
    rows = next(rows for rows in blocks(linked, free) if question.count in rows)
    x = linked.values[rows]
    others = np.flatnonzero(np.isin(rows, also) & (rows != question.count))
    moves = _moves(linked, rows, question, np.zeros(len(rows)), others, whole=np.ones(len(rows)))
    if moves is None:
        return None
    values = linked.values.copy()
    values[rows] = x + np.rint(moves).astype(np.int64)
    return values


def cheapest_to_move(linked: Linked, question: Question, price: FloatArray) -> BoolArray:
    """Counts that move where all may and the price is lowest, those without a price left out.

    Fractions are tried first, which is quick; whole numbers where fractions could do with what has no price.

    Parameters
    ----------
    linked : Linked
        The counts.
    question : Question
        What must be reached.
    price : ndarray of float, shape (counts,)
        Of moving a count by one; 0 where it is hidden already.

    Returns
    -------
    ndarray of bool, shape (counts,)
        None of them where the question cannot be answered at all, or needs nothing more.
    """
    every = np.arange(len(price))
    for whole in (np.zeros(len(price)), np.ones(len(price))):
        moves = _moves(linked, every, question, price, every[:0], whole=whole)
        moved = np.zeros(len(price), dtype=bool) if moves is None else np.abs(moves) > _ROUNDING
        if (moved & (price > 0)).any():
            break
    return moved & (price > 0)


def _moves(
    linked: Linked,
    rows: IntArray,
    question: Question,
    price: FloatArray,
    others: IntArray,
    *,
    whole: FloatArray,
) -> FloatArray | None:
    """By how much counts move to answer a question at the lowest price; None where they cannot."""
    from scipy.optimize import Bounds, LinearConstraint, milp  # heavy: only when counts leave the clinic
    from scipy.sparse import csr_array, eye_array, hstack

    n, x = len(rows), linked.values[rows].astype(float)
    place, sign = np.searchsorted(rows, question.count), 1.0 if question.direction == "up" else -1.0
    to_come = np.maximum(sign * (question.target - x), 0.0)
    # the move of a count is a rise less a fall, both from 0; then how far each of the others comes to the target
    low = np.concatenate([np.zeros(2 * n), np.full(len(others), -np.inf)])
    high = np.concatenate([np.full(n, np.inf), x, to_come[others]])
    towards, away = (place, n + place) if question.direction == "up" else (n + place, place)
    low[towards], high[away] = to_come[place], 0.0
    constraints = []
    for matrix, highest in ((linked.equal, 0.0), (linked.at_least, np.inf)):
        touched = _touched(matrix[:, rows])
        if touched.any():
            used = matrix[touched][:, rows]
            beside = csr_array((used.shape[0], len(others)))
            slack = matrix[touched] @ linked.values
            constraints.append(LinearConstraint(hstack([used, -used, beside]).tocsr(), -slack, highest))
    if len(others):
        move = sign * eye_array(n).tocsr()[others]
        come = hstack([-move, move, eye_array(len(others))]).tocsr()
        constraints.append(LinearConstraint(come, -np.inf, 0.0))
    found = milp(
        # a little for every move, so that none is made for nothing
        np.concatenate([np.tile(price + _LITTLE, 2), np.full(len(others), -_GAIN)]),
        integrality=np.concatenate([whole, whole, np.zeros(len(others))]),
        bounds=Bounds(low, high),
        constraints=constraints,
        # a dear table is as safe as a cheap one: near the best is enough
        options={"mip_rel_gap": 0.05},
    )
    return None if found.x is None else np.asarray(found.x[:n] - found.x[n : 2 * n])


def agrees(linked: Linked, values: IntArray) -> bool:
    """Whether values from 0 hold to every relation."""
    return bool(
        (values >= 0).all() and not np.any(linked.equal @ values) and np.all(linked.at_least @ values >= 0)
    )


def blocks(linked: Linked, free: BoolArray) -> list[IntArray]:
    """Free counts that relations tie to each other, block by block."""
    from scipy.sparse import vstack
    from scipy.sparse.csgraph import connected_components

    rows = np.flatnonzero(free)
    tied = abs(vstack([linked.equal, linked.at_least]).tocsr()[:, rows])
    n, label = connected_components(tied.T @ tied, directed=False)
    return [rows[label == number] for number in range(n)]


def _touched(matrix: csr_array) -> BoolArray:
    return np.asarray(abs(matrix).sum(axis=1)).ravel() > 0


def _constraints(linked: Linked, rows: IntArray, hidden: BoolArray) -> list[LinearConstraint]:
    """Constraints on the hidden counts of a block, the known ones moved to the other side."""
    from scipy.optimize import LinearConstraint

    known = np.where(hidden, 0, linked.values)
    constraints = []
    for matrix, highest in ((linked.equal, 0.0), (linked.at_least, np.inf)):
        touched = _touched(matrix[:, rows])
        if touched.any():
            given = -(matrix[touched] @ known)
            constraints.append(LinearConstraint(matrix[touched][:, rows], given, given + highest))
    return constraints


def _lowest(aim: FloatArray, constraints: list[LinearConstraint]) -> float:
    """Lowest value of a sum over the tables that agree; minus infinity where nothing bounds it."""
    from scipy.optimize import Bounds, milp

    found = milp(aim, integrality=np.ones_like(aim), bounds=Bounds(0.0, np.inf), constraints=constraints)
    # the true table always agrees, so that there is a lowest value unless it is unbounded
    return -np.inf if found.x is None else float(np.rint(aim @ found.x))
