"""Counts and what anybody knows to hold between them: totals and their parts, sets and their subsets."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, TableError

if TYPE_CHECKING:
    from scipy.sparse import csr_array

IntArray = NDArray[np.int64]
# a life table is a chain of totals as long as it has sessions; beyond a few the price of hiding is the same
_MOST_HEIGHT = 6


@dataclass(frozen=True)
class Relation:
    """A sum of counts, each times a whole number, that is 0, or at least 0.

    Parameters
    ----------
    terms : tuple of (key, int)
        Keys of counts and what each is multiplied by.
    equal : bool
        Whether the sum is 0; it is at least 0 otherwise.
    """

    terms: tuple[tuple[Hashable, int], ...]
    equal: bool


def adds_up(total: Hashable, parts: Iterable[Hashable]) -> Relation:
    """The parts add to the total.

    Examples
    --------
    >>> adds_up("all", ["ring", "cloud"]).terms
    (('all', 1), ('ring', -1), ('cloud', -1))
    """
    return Relation(((total, 1), *((part, -1) for part in parts)), equal=True)


def at_least(more: Iterable[Hashable], less: Hashable, *, times: int = 1) -> Relation:
    """The sum of some counts, so many times, is no smaller than another count.

    Examples
    --------
    >>> at_least(["patients"], "eyes", times=2).terms
    (('patients', 2), ('eyes', -1))
    """
    return Relation((*((key, times) for key in more), (less, -1)), equal=False)


@dataclass(frozen=True)
class Linked:
    """Counts with the relations between them.

    Parameters
    ----------
    keys : tuple
        One for each count.
    values : ndarray of int, shape (counts,)
        From 0.
    shown : ndarray of bool, shape (counts,)
        Whether a table shows the count; one that no table shows is protected all the same where it is small, since
        a difference of others may give it.
    equal : sparse array, shape (relations, counts)
        Its product with the counts is 0.
    at_least : sparse array, shape (relations, counts)
        Its product with the counts is at least 0.
    height : ndarray of int, shape (counts,)
        0 for a count that is no total, 1 for a total of such, and so on.
    """

    keys: tuple[Hashable, ...]
    values: IntArray
    shown: NDArray[np.bool_]
    equal: csr_array
    at_least: csr_array
    height: IntArray


def link(
    counts: Mapping[Any, int], relations: Iterable[Relation], *, unseen: Iterable[Hashable] = ()
) -> Linked:
    """Counts and relations as arrays.

    Parameters
    ----------
    counts : mapping of key to int
        The counts, from 0.
    relations : iterable of Relation
        What holds between them; each once however often it is given.
    unseen : iterable of key
        Counts that no table shows.

    Raises
    ------
    TableError
        If a count is not a whole number from 0, a relation names a count that is not given, or does not hold.

    Examples
    --------
    >>> linked = link({"all": 12, "ring": 9, "cloud": 3}, [adds_up("all", ["ring", "cloud"])])
    >>> linked.values.tolist(), linked.height.tolist()
    ([12, 9, 3], [1, 0, 0])
    """
    keys = tuple(counts)
    place = {key: i for i, key in enumerate(keys)}
    once = tuple(dict.fromkeys(relations))
    _check(counts, once)
    values = np.array([counts[key] for key in keys], dtype=np.int64)
    shown = np.ones(len(keys), dtype=bool)
    shown[[place[key] for key in set(unseen)]] = False
    return Linked(
        keys,
        values,
        shown,
        _matrix([r for r in once if r.equal], place),
        _matrix([r for r in once if not r.equal], place),
        _heights(once, place),
    )


def _check(counts: Mapping[Hashable, int], relations: tuple[Relation, ...]) -> None:
    faults = [
        Fault(str(key), f"count {count!r}", "a whole number from 0")
        for key, count in counts.items()
        if isinstance(count, bool) or not isinstance(count, int | np.integer) or count < 0
    ]
    if faults:
        raise TableError(faults)
    for relation in relations:
        lacking = [str(key) for key, _ in relation.terms if key not in counts]
        if lacking:
            faults.append(Fault(", ".join(lacking), "named in a relation but not counted", "every count"))
            continue
        left = sum(times * int(counts[key]) for key, times in relation.terms)
        if left < 0 or (relation.equal and left):
            told = ", ".join(f"{key} {counts[key]}" for key, _ in relation.terms)
            faults.append(Fault("counts", f"they contradict each other: {told}", "parts that add to totals"))
    if faults:
        raise TableError(faults)


def _matrix(relations: list[Relation], place: Mapping[Hashable, int]) -> csr_array:
    from scipy.sparse import coo_array  # heavy: only when counts leave the clinic

    rows = [row for row, relation in enumerate(relations) for _ in relation.terms]
    columns = [place[key] for relation in relations for key, _ in relation.terms]
    times = [float(times) for relation in relations for _, times in relation.terms]
    return coo_array((times, (rows, columns)), shape=(len(relations), len(place))).tocsr()


def _heights(relations: tuple[Relation, ...], place: Mapping[Hashable, int]) -> IntArray:
    height = np.zeros(len(place), dtype=np.int64)
    sums = [
        (place[relation.terms[0][0]], [place[key] for key, _ in relation.terms[1:]])
        for relation in relations
        if relation.equal and len(relation.terms) > 1
    ]
    for _ in range(_MOST_HEIGHT):
        before = height.copy()
        for total, parts in sums:
            height[total] = min(max(height[total], 1 + height[parts].max()), _MOST_HEIGHT)
        if np.array_equal(before, height):
            break
    return height
