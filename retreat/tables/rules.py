"""What the rules across cells share: a fault at a place of a screened table."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault
from retreat.tables.screening import BoolArray, Screened


def places(mask: BoolArray | NDArray[np.bool_]) -> Iterator[int]:
    """Positions at which the mask holds, as plain integers."""
    return (int(place) for place in np.flatnonzero(mask))


def shown(value: object) -> str:
    """A typed cell as text."""
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def fault_at(table: Screened, place: int, column: str, what: str, allowed: str, fix: str) -> Fault:
    """A fault of the cell at that position and column."""
    value = shown(table.typed[column].iloc[place])
    return Fault(column, what, allowed, fix, row=int(table.rows[place]), column=column, value=value)
