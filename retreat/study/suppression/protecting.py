"""Which counts to hide so that the small ones cannot be worked out."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from typing import Any

import numpy as np

from retreat.errors import Fault, TableError
from retreat.fitting.arguments import is_whole
from retreat.model.support import SMALL_CELL
from retreat.study.suppression.attack import (
    BoolArray,
    Direction,
    FloatArray,
    Question,
    agrees,
    alternative,
    cheapest_to_move,
)
from retreat.study.suppression.linked import IntArray, Linked

# Hiding a total costs its readers more than hiding a part [our judgement].
_DEARER = 4.0
_MOST_THRESHOLD = 1000
_DIRECTIONS: tuple[Direction, ...] = ("down", "up")


@dataclass(frozen=True)
class Protection:
    """What is hidden, and why.

    Parameters
    ----------
    threshold : int
        Counts from 1 to below it are small.
    small : frozenset of key
        The small counts, whether a table shows them or a difference would give them.
    complementary : frozenset of key
        Counts that are not small and hidden so that the small ones cannot be worked out.
    """

    threshold: int
    small: frozenset[Hashable]
    complementary: frozenset[Hashable]

    @property
    def hidden(self) -> frozenset[Hashable]:
        """All that must not be shown."""
        return self.small | self.complementary

    def to_json(self) -> dict[str, Any]:
        """How many counts are hidden, and by which rule; never which are small."""
        return {"threshold": self.threshold, "n_hidden": len(self.hidden), "rule": rule(self.threshold)}


def rule(threshold: int) -> str:
    """The rule in words, for those who read the tables."""
    return (
        f"Counts from 1 to {threshold - 1} are hidden, and so many others that each of these could, by all the counts "
        f"shown, still be anything from 1 to at least {threshold}; numbers that rest on a hidden count are hidden too."
    )


def protect(linked: Linked, *, threshold: int = SMALL_CELL) -> Protection:
    """Small counts, and the others to hide with them, so that arithmetic on what is shown gives none back.

    The rule: for every count from 1 to threshold - 1 there are two tables of whole numbers that agree with every
    count shown and every relation between counts, one with that count at most 1, the other with it at least
    `threshold`. From what is shown nobody can tell how small the count is, nor that it is small; and any sum of hidden
    counts that can be worked out and holds a small one is at least `threshold` itself.

    Parameters
    ----------
    linked : Linked
        Counts and relations; all tables that leave together belong into one.
    threshold : int, 1 to 1000
        Default 11, the cell size of the Centers for Medicare and Medicaid Services, whose policy also forbids that a
        count of 1 to 10 can be derived, and lets a 0 stand [1]_.

    Raises
    ------
    TableError
        If the threshold is out of range.

    Notes
    -----
    Where what is hidden so far does not do for a small count, the cheapest counts to move so that it reaches its
    target are hidden too, a total dearer than a part (a linear programme with a price for each unit moved, as in
    the heuristics of Kelly, Golden and Assad 1992 [2]_). The two tables are then found by integer programmes, and
    each count hidden in addition is shown again where all small counts can do without it. So none of what is
    hidden in the end can be worked out, neither the small counts nor the others: one of the others that could be would
    have been shown.

    It guards against arithmetic. It does not guard against one who knows who some of the eyes are, and does not hide
    that a cell was thought worth hiding.

    References
    ----------
    .. [1] CMS Cell Size Suppression Policy, version of 2024-01-26, resdac.org/node/1506.
    .. [2] Kelly JP, Golden BL, Assad AA. Cell suppression: disclosure protection for sensitive tabular data. Networks
       1992;22:397-417 (from memory). Hundepool A and others. Statistical Disclosure Control. Wiley, 2012,
       doi 10.1002/9781118348239 (from memory).

    Examples
    --------
    >>> from retreat.study.suppression.linked import adds_up, link
    >>> linked = link({"all": 60, "ring": 40, "cloud": 15, "sheet": 5}, [adds_up("all", ["ring", "cloud", "sheet"])])
    >>> found = protect(linked)
    >>> sorted(found.small), sorted(found.complementary)
    (['sheet'], ['cloud'])
    """
    if not is_whole(threshold) or not 1 <= threshold <= _MOST_THRESHOLD:
        allowed = f"a whole number from 1 to {_MOST_THRESHOLD}"
        raise TableError(Fault("threshold", f"{threshold!r}", allowed, f"{SMALL_CELL} is usual"))
    small = (linked.values > 0) & (linked.values < threshold)
    price = _DEARER**linked.height * (1.0 + np.log1p(linked.values))
    search = _Search(linked, np.flatnonzero(small), threshold, price)
    hidden = search.hide(small | ~linked.shown)
    hidden = search.show_again(hidden, hidden & linked.shown & ~small)
    search.verify(hidden)
    return Protection(threshold, _keys(linked, small), _keys(linked, hidden & linked.shown & ~small))


class _Search:
    """Tables found so far, each an answer to all questions that it answers.

    A question is a small count and a direction: down to 1, or up to the threshold.
    """

    def __init__(self, linked: Linked, small: IntArray, threshold: int, price: FloatArray) -> None:
        # from the smallest on: what they need often serves the others
        self._small = small[np.argsort(linked.values[small], kind="stable")]
        self._linked, self._threshold, self._price = linked, threshold, price
        self._tables = linked.values[None, :]  # (tables, counts); the true one answers where a count is 1

    def hide(self, hidden: BoolArray) -> BoolArray:
        """Which to hide so that every question has an answer; the given ones are among them."""
        for direction in _DIRECTIONS:
            while len(waiting := self._unanswered(direction, self._tables)):
                table = self._ask(hidden, direction, waiting)
                if table is None:
                    hidden = hidden | self._to_hide(hidden, direction, int(waiting[0]))
                else:
                    self._tables = np.vstack([self._tables, table])
        return hidden

    def show_again(self, hidden: BoolArray, candidates: BoolArray) -> BoolArray:
        """Hidden counts without those all questions can do without; the dearest are tried first."""
        for count in sorted(np.flatnonzero(candidates), key=lambda i: (-self._price[i], i)):
            free = hidden.copy()
            free[count] = False
            tables = self._answers(free)
            if tables is not None:
                hidden, self._tables = free, tables
        return hidden

    def verify(self, hidden: BoolArray) -> None:
        """Hold the promise against what was found, whatever the solver said."""
        sound = [
            agrees(self._linked, table) and bool((table == self._linked.values)[~hidden].all())
            for table in self._tables
        ]
        for direction in _DIRECTIONS:
            left = self._unanswered(direction, self._tables[sound])
            if len(left):
                raise self._unsafe(int(left[0]))

    def _answers(self, free: BoolArray) -> IntArray | None:
        """Tables that answer every question and move only free counts; None where there are none."""
        tables: IntArray = self._tables[(self._tables == self._linked.values)[:, ~free].all(axis=1)]
        for direction in _DIRECTIONS:
            while len(waiting := self._unanswered(direction, tables)):
                table = self._ask(free, direction, waiting)
                if table is None:
                    return None
                tables = np.vstack([tables, table])
        return tables

    def _unanswered(self, direction: Direction, tables: IntArray) -> IntArray:
        """Small counts that no table takes far enough."""
        of_small = tables[:, self._small]
        far = of_small <= 1 if direction == "down" else of_small >= self._threshold
        return self._small[~far.any(axis=0)]

    def _ask(self, free: BoolArray, direction: Direction, waiting: IntArray) -> IntArray | None:
        """A table that answers for the first of those waiting and, as far as may be, for the others."""
        first = int(waiting[0])
        table = alternative(self._linked, free, self._question(first, direction), also=waiting[1:])
        if table is not None and first in self._unanswered(direction, table[None, :]):
            raise self._unsafe(first)  # the solver fell short: never to go on as if it had not
        return table

    def _to_hide(self, hidden: BoolArray, direction: Direction, count: int) -> BoolArray:
        """More to hide, at least one."""
        price = np.where(hidden, 0.0, self._price)
        more = cheapest_to_move(self._linked, self._question(count, direction), price)
        if not more.any():  # cannot be: with all counts 0, or all so many times, every relation holds
            raise self._unsafe(count)
        return more

    def _question(self, count: int, direction: Direction) -> Question:
        return Question(count, direction, 1 if direction == "down" else self._threshold)

    def _unsafe(self, count: int) -> TableError:
        where = str(self._linked.keys[count])
        return TableError(
            Fault(where, "it could not be hidden safely", "larger counts", "join levels or sessions")
        )


def _keys(linked: Linked, chosen: BoolArray) -> frozenset[Hashable]:
    return frozenset(linked.keys[i] for i in np.flatnonzero(chosen))
