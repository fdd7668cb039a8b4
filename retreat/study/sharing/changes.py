"""What was changed in the tables that leave, counted by column and way."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

# every way a cell is changed, in the order of the account, with what it means to a reader
WAYS = {
    "rounded": "rounded to a coarser step",
    "capped": "beyond what at least k patients have: moved to that",
    "grouped": "replaced by the number in the middle of at least k patients alike",
    "removed": "set to not_recorded (stop_reason: unknown), as too few patients share it",
    "cut": "a course longer than at least k patients had: told up to there, as ongoing",
    "alone": "a case whose patient is not told, as too few have as many cases of the same eyes",
}


class Changes:
    """An account of changed cells."""

    def __init__(self) -> None:
        self._counts: Counter[tuple[str, str]] = Counter()

    def add(self, column: str, way: str, cells: int) -> None:
        """Note so many cells of a column changed in one of :data:`WAYS`."""
        if cells:
            self._counts[column, way] += int(cells)

    def count(self, column: str, way: str) -> int:
        """Cells of that column changed in that way."""
        return self._counts[column, way]

    def frame(self) -> pd.DataFrame:
        """Exact counts, one row a column that was changed; for the clinic alone."""
        import pandas as pd  # heavy: only whoever has a table gets here

        columns = sorted({column for column, _ in self._counts})
        ways = [way for way in WAYS if any(self._counts[column, way] for column in columns)]
        counts = {way: [self._counts[column, way] for column in columns] for way in ways}
        return pd.DataFrame(counts, index=pd.Index(columns, name="column"), dtype="int64")

    def shown(self) -> list[dict[str, str]]:
        """The same for those who get the folder: small counts hidden, since they would tell of few patients."""
        from retreat.study.suppression.margins import hide_small_cells

        exact = self.frame()
        if exact.empty:
            return []
        hidden = hide_small_cells(exact)
        return [
            {"column": str(column), **{way: _words(hidden.loc[column, way]) for way in exact.columns}}
            for column in exact.index
        ]


def _words(count: object) -> str:
    import pandas as pd

    return "few" if pd.isna(count) else str(count)  # type: ignore[call-overload]


def ways_of(rows: Iterable[dict[str, str]]) -> list[str]:
    """Ways that an account tells of."""
    return [way for way in WAYS if any(way in row for row in rows)]
