"""A table that knows which counts each of its numbers rests on."""

from __future__ import annotations

from collections.abc import Collection, Hashable, Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from retreat.study.suppression.linked import Linked, Relation, link

if TYPE_CHECKING:
    import pandas as pd

# keys of the counts that a number rests on
type Sources = tuple[Hashable, ...]
HIDDEN = "hidden"


@dataclass(frozen=True)
class Sourced:
    """A table, the counts it shows or rests on, and how these hang together.

    Parameters
    ----------
    frame : DataFrame
        The table as the clinic may see it.
    sources : mapping of str to tuple of tuple of key
        For each column of numbers the counts each row's number rests on; a count rests on itself. A number is hidden
        when one of these is. A column that is not named here tells of no count.
    counts : mapping of key to int
        All counts named, and those that a difference of them would give.
    relations : tuple of Relation
        What holds between them.
    """

    frame: pd.DataFrame
    sources: Mapping[str, tuple[Sources, ...]]
    counts: Mapping[Any, int]
    relations: tuple[Relation, ...] = field(default=(), repr=False)

    @property
    def shown(self) -> set[Hashable]:
        """Counts that stand in the table."""
        return {key for rows in self.sources.values() for keys in rows for key in keys}

    def without(self, hidden: Collection[Hashable]) -> pd.DataFrame:
        """The table with numbers missing that rest on a hidden count; column `hidden` names them by row."""
        import pandas as pd  # heavy: only whoever has a table gets here

        frame = self.frame.copy()
        names: list[list[str]] = [[] for _ in range(len(frame))]
        for column, rows in self.sources.items():
            gone = np.array([any(key in hidden for key in keys) for keys in rows], dtype=bool)
            gone &= ~frame[column].isna().to_numpy()  # what was missing anyway is not hidden
            for row in np.flatnonzero(gone):
                names[row].append(column)
            whole = frame[column].dtype.kind == "i"  # a count stays a whole number beside missing ones
            frame[column] = (frame[column].astype("Int64") if whole else frame[column]).mask(gone)
        frame[HIDDEN] = pd.Series([" ".join(row) for row in names], index=frame.index, dtype="str")
        return frame


def linked_tables(
    tables: Iterable[Sourced],
    relations: Iterable[Relation] = (),
    *,
    unseen: Mapping[Any, int] = MappingProxyType({}),
) -> Linked:
    """Counts of tables that leave together, a count that stands in several of them once.

    Parameters
    ----------
    tables : iterable of Sourced
        The tables.
    relations : iterable of Relation
        What holds between counts of different tables.
    unseen : mapping of key to int
        Counts that only a difference between tables would give.

    Raises
    ------
    TableError
        If a relation does not hold.
    """
    together = tuple(tables)
    counts: dict[Hashable, int] = dict(unseen)
    shown: set[Hashable] = set()
    for table in together:
        counts |= table.counts
        shown |= table.shown
    known = (relation for table in together for relation in table.relations)
    return link(counts, (*known, *relations), unseen=counts.keys() - shown)
