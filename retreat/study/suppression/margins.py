"""One table of counts with its margins, small cells hidden."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from typing import TYPE_CHECKING

import numpy as np

from retreat.errors import Fault, TableError
from retreat.model.support import SMALL_CELL
from retreat.study.suppression.linked import Relation, adds_up, link
from retreat.study.suppression.protecting import protect

if TYPE_CHECKING:
    import pandas as pd


def hide_small_cells(
    counts: pd.DataFrame, *, total: Hashable = "all", threshold: int = SMALL_CELL
) -> pd.DataFrame:
    """A table of counts whose small cells are missing, with others so that the margins do not give them back.

    Parameters
    ----------
    counts : DataFrame of int
        From 0; rows add to a row of the name `total`, columns to a column of that name, where there is one.
    total : hashable
        Name of the margins.
    threshold : int, 1 to 1000
        See :func:`~retreat.study.suppression.protect`.

    Returns
    -------
    DataFrame of Int64
        Hidden cells are ``<NA>``.

    Raises
    ------
    TableError
        If a count is not a whole number from 0, or a margin is not the sum of its cells.

    Examples
    --------
    >>> import pandas as pd
    >>> counts = pd.DataFrame(
    ...     {"ring": [40, 30, 70], "cloud": [25, 18, 43], "sheet": [3, 20, 23], "all": [68, 68, 136]},
    ...     index=["site 1", "site 2", "all"],
    ... )
    >>> print(hide_small_cells(counts).to_string())
            ring  cloud  sheet  all
    site 1    40   <NA>   <NA>   68
    site 2    30   <NA>   <NA>   68
    all       70     43     23  136
    """
    if not (counts.index.is_unique and counts.columns.is_unique):
        raise TableError(Fault("counts", "a row or column name stands twice", "every name once"))
    values = {(row, column): counts.loc[row, column] for row in counts.index for column in counts.columns}
    found = protect(link(values, list(_margins(counts, total))), threshold=threshold)
    hidden = np.array([[(row, column) in found.hidden for column in counts.columns] for row in counts.index])
    return counts.astype("Int64").mask(hidden)


def _margins(counts: pd.DataFrame, total: Hashable) -> Iterator[Relation]:
    rows = [row for row in counts.index if row != total]
    columns = [column for column in counts.columns if column != total]
    if len(rows) < len(counts.index) and rows:
        yield from (adds_up((total, c), [(row, c) for row in rows]) for c in counts.columns)
    if len(columns) < len(counts.columns) and columns:
        yield from (adds_up((r, total), [(r, column) for column in columns]) for r in counts.index)
