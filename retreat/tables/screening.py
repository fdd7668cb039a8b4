"""Every cell of a table checked and typed, column by column; only doubtful values one at a time."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from retreat.errors import Fault
from retreat.features import MISSING_CODES
from retreat.tables.cells import NUMBER, fault_of, identifier_fault
from retreat.tables.column import Column, Schema
from retreat.tables.random_keys import suspect_keys

BoolArray = NDArray[np.bool_]
_FILLED = MISSING_CODES[0]


@dataclass(frozen=True)
class Screened:
    """A table whose cells have been checked one by one, ready for the rules that look across cells.

    Parameters
    ----------
    typed : DataFrame
        Every column of the schema, in its order; a faulty number is `nan`, faulty text stays as it is.
    bad : dict of ndarray of bool, each of shape (rows,)
        By column: cells with a fault; all of a column that a file must have but lacks.
    rows : ndarray of int, shape (rows,)
        Row of the spreadsheet.
    missing : dict of dict
        Column, missing code, how many cells.
    absent : tuple of str
        Columns the table lacked.
    faults : tuple of Fault
        One for each faulty cell, by row.
    """

    typed: pd.DataFrame
    bad: dict[str, BoolArray]
    rows: NDArray[np.int64]
    missing: dict[str, dict[str, int]]
    absent: tuple[str, ...]
    faults: tuple[Fault, ...]

    def sound(self, *columns: str) -> BoolArray:
        """Rows without a fault in any of the columns, shape (rows,)."""
        faulty: BoolArray = np.array([self.bad[name] for name in columns]).any(axis=0)
        return ~faulty


@dataclass(frozen=True)
class _Cells:
    """One column: values typed, cells with a fault, missing codes counted, a fault for each bad cell."""

    values: pd.Series
    bad: BoolArray
    missing: dict[str, int]
    faults: list[Fault]


def screen(columns: dict[str, pd.Series], schema: Schema, rows: NDArray[np.int64]) -> Screened:
    """Check and type the cells of a table.

    Parameters
    ----------
    columns : dict of Series, each of shape (rows,)
        Text, or numbers with `nan` where missing, by name of the column.
    schema : Schema
        `CASES` or `VISITS`.
    rows : ndarray of int, shape (rows,)
        Row of the spreadsheet, for the faults.

    Returns
    -------
    Screened
    """
    screened = {column.name: _screen_column(columns.get(column.name), column, rows) for column in schema}
    order = {column.name: place for place, column in enumerate(schema)}
    faults = [fault for cells in screened.values() for fault in cells.faults]
    faults.sort(key=lambda fault: (fault.row or 0, order[fault.column or ""]))
    return Screened(
        typed=pd.DataFrame({name: cells.values for name, cells in screened.items()}),
        bad={name: cells.bad for name, cells in screened.items()},
        rows=rows,
        missing={name: cells.missing for name, cells in screened.items() if cells.missing},
        absent=tuple(name for name in screened if name not in columns),
        faults=tuple(faults),
    )


def _screen_column(values: pd.Series | None, column: Column, rows: NDArray[np.int64]) -> _Cells:
    if values is None:
        return _absent(column, len(rows))
    values = values.reset_index(drop=True)
    is_numeric = pd.api.types.is_numeric_dtype(values.dtype) and not pd.api.types.is_bool_dtype(values.dtype)
    if column.is_number and is_numeric:
        return _screen_numbers(values, column, rows)
    return _screen_text(_as_text(values), column, rows)


def _absent(column: Column, n_rows: int) -> _Cells:
    """A column the table lacks: not recorded throughout, and of no use to any rule if a file must have it."""
    filled = np.full(n_rows, np.nan) if column.is_number else [_FILLED] * n_rows
    values = pd.Series(filled, dtype="float64" if column.is_number else "str")
    return _Cells(values, np.full(n_rows, column.required), {_FILLED: n_rows}, [])


def _as_text(values: pd.Series) -> pd.Series:
    """Cells as they would be written by hand; an empty text where there is none."""
    if isinstance(values.dtype, pd.CategoricalDtype):
        values = values.astype(values.cat.categories.dtype)
    if pd.api.types.is_datetime64_any_dtype(values.dtype):
        values = values.dt.strftime("%Y-%m-%d")
    elif pd.api.types.is_float_dtype(values.dtype):
        # whole numbers became floats only because another cell was empty
        whole = np.isfinite(values) & (values == values.round())
        values = values.astype("object").mask(whole, values[whole].astype("int64").astype("object"))
    return values.astype("str").fillna("")


def _screen_numbers(values: pd.Series, column: Column, rows: NDArray[np.int64]) -> _Cells:
    """A column that is already numeric: `nan` is a missing value where the column may have one."""
    numbers = values.to_numpy(dtype=np.float64, na_value=np.nan)
    empty = np.isnan(numbers)
    looked_at = ~_allowed_numbers(numbers, column) & ~(empty & column.may_be_missing)
    bad = np.zeros(len(numbers), dtype=bool)
    faults = []
    for place in np.flatnonzero(looked_at):
        fault = fault_of(column, "" if empty[place] else repr(float(numbers[place])).removesuffix(".0"))
        if fault is not None:
            faults.append(dataclasses.replace(fault, row=int(rows[place])))
            bad[place] = True
    missing = _counted({_FILLED: int((empty & ~bad).sum())})
    return _Cells(_number_series(np.where(bad, np.nan, numbers), column), bad, missing, faults)


def _screen_text(text: pd.Series, column: Column, rows: NDArray[np.int64]) -> _Cells:
    """A column of text: each distinct value is judged once."""
    codes, found_texts = pd.factorize(text)
    distinct = pd.Series(found_texts, dtype="str")
    numbers = np.full(len(distinct), np.nan)
    if column.is_number:
        well_formed = distinct.str.fullmatch(NUMBER).to_numpy(dtype=bool)
        numbers[well_formed] = distinct[well_formed].to_numpy(dtype=object).astype(np.float64)
        looked_at = ~_allowed_numbers(numbers, column)
    else:
        looked_at = ~_harmless(distinct, column)
    found: dict[int, Fault] = {}
    for place in np.flatnonzero(looked_at):
        fault = fault_of(column, distinct.iloc[place])
        if fault is not None:
            found[int(place)] = fault
    if column.kind == "key":
        found |= _suspect_keys(distinct, column, found)
    bad_distinct = np.zeros(len(distinct), dtype=bool)
    bad_distinct[list(found)] = True
    bad = bad_distinct[codes]
    faults = [
        dataclasses.replace(found[int(codes[place])], row=int(rows[place])) for place in np.flatnonzero(bad)
    ]
    n_each = np.bincount(codes[~bad], minlength=len(distinct))
    at = pd.Index(distinct).get_indexer(pd.Index(MISSING_CODES))
    missing = _counted({code: int(n_each[i]) for code, i in zip(MISSING_CODES, at, strict=True) if i >= 0})
    numbers[bad_distinct] = np.nan
    values = _number_series(numbers[codes], column) if column.is_number else text
    return _Cells(values, bad, missing, faults)


def _number_series(numbers: NDArray[np.float64], column: Column) -> pd.Series:
    """Whole numbers that are never missing as int64 once no cell is bad, all others as float64."""
    if column.kind == "integer" and not column.may_be_missing and not np.isnan(numbers).any():
        return pd.Series(numbers.astype(np.int64))
    return pd.Series(numbers)


def _allowed_numbers(numbers: NDArray[np.float64], column: Column) -> BoolArray:
    """Numbers within the range, whole where they must be, not above the top code."""
    allowed = (numbers >= column.low) & (numbers <= column.high)
    if column.kind == "integer":
        allowed &= numbers == np.floor(numbers)
    if column.top_code is not None:
        allowed &= (numbers <= column.top_code - 1) | (numbers == column.top_code)
    return np.asarray(allowed, dtype=bool)


def _harmless(distinct: pd.Series, column: Column) -> BoolArray:
    """Text that `fault_of` would pass, told cheaply; what is left is looked at one by one."""
    if column.kind not in ("key", "text"):
        return np.zeros(len(distinct), dtype=bool)
    plain = distinct.str.fullmatch("[A-Za-z0-9]*[A-Za-z][A-Za-z0-9]*") & ~distinct.isin(MISSING_CODES)
    return plain.to_numpy(dtype=bool)


def _suspect_keys(distinct: pd.Series, column: Column, found: dict[int, Fault]) -> dict[int, Fault]:
    """Faults of keys that do not look drawn at random, by place; keys that are faulty already stay out."""
    sound = [key for place, key in enumerate(distinct) if place not in found]
    suspects = suspect_keys(sound)
    if not suspects:
        return {}
    return {
        place: identifier_fault(column, key, suspects[key])
        for place, key in enumerate(distinct)
        if key in suspects
    }


def _counted(counts: dict[str, int]) -> dict[str, int]:
    return {code: n for code, n in counts.items() if n}


def columns_of(header: Sequence[str], series: Sequence[pd.Series], schema: Schema) -> dict[str, pd.Series]:
    """Known columns by name; of a doubled one the first.

    Parameters
    ----------
    header : sequence of str
        Names as in the file.
    series : sequence of Series
        One a name.
    schema : Schema
        `CASES` or `VISITS`.

    Returns
    -------
    dict of Series
    """
    known = {column.name for column in schema}
    columns: dict[str, pd.Series] = {}
    for name, values in zip(header, series, strict=True):
        if name in known:
            columns.setdefault(name, values)
    return columns
