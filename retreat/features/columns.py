"""Columns of a case table, read and checked by numpy alone.

A category comes out as text, None where missing; a number as float, NaN where missing. A column that the
table lacks counts as missing throughout, so that one case told by a few options runs through the same code.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, TableError

FloatArray = NDArray[np.float64]
TextArray = NDArray[np.object_]

MISSING_CODES = ("not_recorded", "not_applicable", "unknown")

LEVELS: dict[str, tuple[str, ...]] = {
    "eye": ("right", "left"),
    "opacity": ("ring", "strand", "cloud", "sheet"),
    "opacities": ("single", "few", "many"),
    "zone": ("anterior", "middle", "posterior"),
    "cornea": ("none", "myopic_ablation", "hyperopic_ablation", "incisional"),
    "lens": ("natural", "monofocal", "multifocal"),
    "pvd": ("complete", "partial", "none"),
}
RANGES: dict[str, tuple[float, float, str]] = {
    "size_mm": (0.1, 15.0, "mm"),
    "lens_gap_mm": (0.0, 25.0, "mm"),
    "retina_gap_mm": (0.0, 25.0, "mm"),
    "eccentricity_deg": (0.0, 60.0, "degrees"),
    "sphere_d": (-30.0, 20.0, "dioptres"),
    "axial_mm": (18.0, 36.0, "mm"),
    "pupil_mm": (2.0, 10.0, "mm"),
    "age": (18.0, 100.0, "years"),
    "relief_before": (0.0, 10.0, "points of 0 to 10"),
}


class Columns(Protocol):
    """Columns by name: a mapping of arrays, or a data frame."""

    def __getitem__(self, name: str, /) -> Any: ...
    def __contains__(self, name: object, /) -> bool: ...
    def __iter__(self) -> Iterator[Any]: ...


def n_cases(columns: Columns) -> int:
    """Count the cases.

    Parameters
    ----------
    columns : mapping of str to array_like of shape (cases,), or data frame
        A single value stands for one case.

    Raises
    ------
    TableError
        If there is no column, or columns differ in length.

    Examples
    --------
    >>> n_cases({"opacity": ["ring", "cloud"], "size_mm": [2.0, 5.0]})
    2
    """
    counts = {str(name): _count(columns[name]) for name in columns}
    if not counts:
        raise TableError(Fault("cases", "no columns", "at least one column of the case table"))
    first, expected = next(iter(counts.items()))
    faults = [
        Fault(name, f"{count} values, but {first} has {expected}", "one value a case", column=name)
        for name, count in counts.items()
        if count != expected
    ]
    if faults:
        raise TableError(faults)
    return expected


def text(columns: Columns, name: str) -> TextArray:
    """Text of one column, without spaces around it.

    Parameters
    ----------
    columns : mapping of str to array_like of shape (cases,), or data frame
        The table.
    name : str
        Column; one that the table lacks is missing in every case.

    Returns
    -------
    ndarray of object, shape (cases,)
        str, or None where the value is a missing code, empty, None, NaN or pandas' NA.

    Raises
    ------
    TableError
        See `n_cases`.

    Examples
    --------
    >>> text({"lens": ["natural", "not_recorded", None]}, "lens").tolist()
    ['natural', None, None]
    """
    seen = _Cleaned()  # distinct values are few, cases may be a million
    values = _raw(columns, name, object)
    cleaned = np.empty(len(values), dtype=object)
    cleaned[:] = [seen[value] for value in values.tolist()]
    return cleaned


def number(columns: Columns, name: str) -> FloatArray:
    """Numbers of one column.

    Parameters
    ----------
    columns : mapping of str to array_like of shape (cases,), or data frame
        The table. Text that spells a number is read as that number.
    name : str
        Column; one that the table lacks is missing in every case.

    Returns
    -------
    ndarray of float, shape (cases,)
        NaN where missing; see `text` for what counts as missing.

    Raises
    ------
    TableError
        With one fault for each value that is neither a finite number nor missing. Its row is that of a
        spreadsheet: the first case is row 2.

    Examples
    --------
    >>> number({"size_mm": ["2.5", "unknown"]}, "size_mm").tolist()
    [2.5, nan]
    """
    values = _raw(columns, name, None)
    if values.dtype.kind in "iuf" and not np.any(np.isinf(values)):
        return values.astype(np.float64)
    words = text(columns, name)
    parsed = {word: _parsed(word) for word in set(words.tolist())}
    wrong = [i for i, word in enumerate(words.tolist()) if parsed[word] is None]
    if wrong:
        allowed = f"a number with a decimal point, or one of {', '.join(MISSING_CODES)}"
        raise TableError(fault(name, i, words[i], allowed, "correct it") for i in wrong)
    return np.array([parsed[word] for word in words.tolist()], dtype=np.float64)


def level(columns: Columns, name: str) -> TextArray:
    """Text of one column, every word one of its `LEVELS` or missing; faults by row."""
    words, levels = text(columns, name), LEVELS[name]
    if not set(words.tolist()) <= {None, *levels}:
        allowed = ", ".join((*levels, *MISSING_CODES))
        wrong = [(i, word) for i, word in enumerate(words.tolist()) if word not in (None, *levels)]
        raise TableError(fault(name, i, word, allowed, nearest(word, levels)) for i, word in wrong)
    return words


def measure(columns: Columns, name: str) -> FloatArray:
    """Numbers of one column, every one inside its `RANGES` or missing; faults by row."""
    values, (low, high, unit) = number(columns, name), RANGES[name]
    wrong = np.flatnonzero((values < low) | (values > high))
    if wrong.size:
        allowed, fix = f"{low:g} to {high:g} {unit}", f"correct it or write {MISSING_CODES[0]}"
        raise TableError(fault(name, int(i), float(values[i]), allowed, fix) for i in wrong)
    return values


def read(columns: Columns, *names: str) -> list[Any]:
    """Checked columns of these names, with the faults of all of them at once."""
    arrays: list[NDArray[Any]] = []
    faults: list[Fault] = []
    for name in names:
        try:
            arrays.append(level(columns, name) if name in LEVELS else measure(columns, name))
        except TableError as error:
            faults.extend(error.faults)
    if faults:
        raise TableError(faults)
    return arrays


def fault(column: str, row: int, value: object, allowed: str, fix: str) -> Fault:
    """Fault of one value; `row` counts cases from 0, the fault shows the row of a spreadsheet."""
    shown = f"{value:.12g}" if isinstance(value, float) else str(value)
    return Fault(column, f"value {shown}", allowed, fix, row=row + 2, column=column, value=shown)


def nearest(word: str, allowed: tuple[str, ...]) -> str:
    """What to do about a word that is not allowed: the nearest that is, if one is near."""
    import difflib  # only on the way to an error

    close = difflib.get_close_matches(word.lower().replace(" ", "_"), allowed, n=1, cutoff=0.5)
    return f"the nearest is {close[0]}" if close else "choose one of those allowed"


def is_none(words: TextArray) -> NDArray[np.bool_]:
    """Where text is missing."""
    return np.array([word is None for word in words.tolist()], dtype=bool)


class _Cleaned(dict[Any, str | None]):
    """Cleaned text by raw value, filled as values come."""

    def __missing__(self, value: Any) -> str | None:
        # pandas' NA and NaT are told by name, so that pandas need not be imported
        missing = value is None or type(value).__name__ in ("NAType", "NaTType")
        word = "" if missing or value != value else str(value).strip()
        self[value] = cleaned = None if not word or word in MISSING_CODES else word
        return cleaned


def _count(values: Any) -> int:
    try:
        return 1 if isinstance(values, str) else len(values)
    except TypeError:  # a single value stands for one case
        return 1


def _raw(columns: Columns, name: str, dtype: type | None) -> NDArray[Any]:
    """One value a case of a column, as it stands; None throughout for a column that the table lacks."""
    count = n_cases(columns)
    if name not in columns:
        return np.full(count, None, dtype=object)
    values = np.atleast_1d(np.asarray(columns[name], dtype=dtype))
    if values.ndim > 1:
        raise TableError(Fault(name, "several columns of this name", "one value a case", column=name))
    return values


def _parsed(word: str | None) -> float | None:
    """Give the number a word spells, NaN for a missing one, None for a word that is no number."""
    if word is None:
        return np.nan
    try:
        value = float(word.replace("_", "no digit"))  # Python would read 1_5 as 15
    except ValueError:
        return None
    return value if np.isfinite(value) else None
