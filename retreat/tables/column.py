"""A column of a table, described as data: its kind, meaning, unit, allowed values."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from retreat.features import MISSING_CODES

Kind = Literal["key", "text", "category", "integer", "number", "date"]
EARLIEST_YEAR = 1990  # first year a date may name: our own definition


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name : str
        As written in the header.
    kind : {"key", "text", "category", "integer", "number", "date"}
        `key` is a random key of a case or a patient, `text` a short code, `date` an ISO date or a year.
    meaning : str
        What it holds, in the words of the clinic.
    unit : str
        Unit of a number; empty where it has none.
    levels : tuple of str
        Allowed words of a category.
    low, high : float
        Allowed range of a number, both ends included.
    top_code : float or None
        The number which stands for itself and everything above it (ages above 89 are stored as 90).
    required : bool
        Whether a file must have the column.
    may_be_missing : bool
        Whether a cell may hold a missing code.
    unique : bool
        Whether each value may stand in one row only.
    refers_to : str
        `table.column` which must know the value; empty for none.

    Examples
    --------
    >>> size = Column("size_mm", "number", "longest dimension", unit="mm", low=0.1, high=15.0)
    >>> allowed_values(size)
    '0.1 to 15 mm; or not_recorded, not_applicable, unknown'
    """

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    levels: tuple[str, ...] = ()
    low: float = -math.inf
    high: float = math.inf
    top_code: float | None = None
    required: bool = False
    may_be_missing: bool = True
    unique: bool = False
    refers_to: str = ""

    @property
    def is_number(self) -> bool:
        """Whether the typed column holds numbers."""
        return self.kind in ("integer", "number")


Schema = tuple[Column, ...]


def allowed_range(column: Column) -> str:
    """What a cell may hold, missing codes left aside.

    Parameters
    ----------
    column : Column
        Of any kind.

    Returns
    -------
    str
        For an error, a help text or the data dictionary.

    Examples
    --------
    >>> allowed_range(Column("eye", "category", "which eye", levels=("right", "left")))
    'right, left'
    """
    if column.kind == "category":
        return ", ".join(column.levels)
    if column.kind == "date":
        return f"a date as 2024-03-01 or a year as 2024, from {EARLIEST_YEAR} to today"
    if column.kind == "key":
        return "a random key such as k7f3q9zt"
    if column.kind == "text":
        return "a code such as op3"
    whole = "a whole number, " if column.kind == "integer" else ""
    unit = f" {column.unit}" if column.unit else ""
    ends = f"{column.low:g} to {column.high:g}"
    if column.top_code is not None:
        ends = f"{column.low:g} to {column.top_code - 1:g}, or {column.top_code:g} for all above"
    return f"{whole}{ends}{unit}"


def allowed_values(column: Column) -> str:
    """What a cell may hold, missing codes included; used in errors, documents and command-line help.

    Parameters
    ----------
    column : Column
        Of any kind.

    Returns
    -------
    str
        For an error, a help text or the data dictionary.

    Examples
    --------
    >>> allowed_values(Column("sessions", "integer", "done so far", low=0, high=40, may_be_missing=False))
    'a whole number, 0 to 40'
    """
    if not column.may_be_missing:
        return allowed_range(column)
    return f"{allowed_range(column)}; or {', '.join(MISSING_CODES)}"
