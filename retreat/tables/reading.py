"""Case and visit tables read from files or frames: checked, typed, or refused with every fault."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from retreat.errors import Fault, TableError
from retreat.tables.checking import Checked, check_frame, check_raw, raw_of
from retreat.tables.column import Schema
from retreat.tables.files import read_raw
from retreat.tables.schema import CASES, VISITS, name_of
from retreat.tables.visit_rules import agreement_faults

__all__ = ["as_cases", "as_visits", "check_frame", "read_cases", "read_visits"]

INVENTED = "invented_"


def read_cases(path: str | Path) -> pd.DataFrame:
    r"""The case table in a file, checked and typed.

    Parameters
    ----------
    path : str or Path
        CSV UTF-8, Parquet or Excel (.xlsx), whose first row names the columns; or SQLite (.sqlite, .sqlite3, .db),
        whose table `cases` it is.

    Returns
    -------
    DataFrame, shape (cases, columns of `CASES`)
        Text and categories as `str` with missing codes kept as words; numbers as float64 with `nan` for a
        missing code; `sessions` as int64; `started` as text. Columns the file lacks are not_recorded.
        `attrs` holds `invented` (bool: the data are made up), `missing` (column, code, count) and `absent`
        (columns the file lacked).

    Raises
    ------
    TableError
        If anything is wrong; `faults` holds all of it, each with row, column, value, what is allowed and the
        likely fix.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "cases.csv"
    >>> _ = path.write_text("case,patient,eye,started,sessions,ending,opacity,size_mm\n"
    ...                     "k7f3q9zt,p2,right,2021,2,relieved,ring,unknown\n")
    >>> cases = read_cases(path)
    >>> cases.loc[0, "sessions"], cases.loc[0, "size_mm"], cases.attrs["missing"]["size_mm"]
    (np.int64(2), np.float64(nan), {'unknown': 1})
    """
    return _typed(check_raw(read_raw(path, CASES), CASES), {})


def read_visits(path: str | Path, cases: pd.DataFrame | None = None) -> pd.DataFrame:
    """The visit table in a file, checked and typed, and held against the cases if they are given.

    Parameters
    ----------
    path : str or Path
        CSV UTF-8, Parquet or Excel (.xlsx), whose first row names the columns; or SQLite (.sqlite, .sqlite3, .db),
        whose table `visits` it is.
    cases : DataFrame, optional
        From `read_cases`: every visit must belong to one of them, and attended visits agree with `sessions`.

    Returns
    -------
    DataFrame, shape (visits, columns of `VISITS`)
        As `read_cases`; `session` is int64.

    Raises
    ------
    TableError
        If anything is wrong; `faults` holds all of it.
    """
    checked = check_raw(read_raw(path, VISITS), VISITS)
    return _held_against(checked, cases, {})


def as_cases(frame: pd.DataFrame) -> pd.DataFrame:
    """A case table held in memory, checked and typed as `read_cases` would.

    Parameters
    ----------
    frame : DataFrame
        As text or typed; the result of `read_cases` or of this function comes back unchanged.

    Returns
    -------
    DataFrame, shape (cases, columns of `CASES`)
        A new frame; the argument is left as it is.

    Raises
    ------
    TableError
        If anything is wrong; row 2 is the first row of the frame.
    """
    _refuse_empty(frame, CASES)
    return _typed(check_raw(raw_of(frame), CASES), frame.attrs)


def as_visits(frame: pd.DataFrame, cases: pd.DataFrame | None = None) -> pd.DataFrame:
    """A visit table held in memory, checked and typed as `read_visits` would.

    Parameters
    ----------
    frame : DataFrame
        As text or typed.
    cases : DataFrame, optional
        The typed cases to hold the visits against.

    Returns
    -------
    DataFrame, shape (visits, columns of `VISITS`)

    Raises
    ------
    TableError
        If anything is wrong; row 2 is the first row of the frame.
    """
    _refuse_empty(frame, VISITS)
    return _held_against(check_raw(raw_of(frame), VISITS), cases, frame.attrs)


def _refuse_empty(frame: pd.DataFrame, schema: Schema) -> None:
    if not hasattr(frame, "columns"):
        which = name_of(schema)
        what = f"a {type(frame).__name__} in place of a table"
        raise TableError(Fault(which, what, "a DataFrame", f"read it first: retreat.read_{which}(path)"))
    if not len(frame):
        raise TableError(
            Fault(name_of(schema), "the table has no rows", "one row a case or visit", "add rows")
        )


def _held_against(checked: Checked, cases: pd.DataFrame | None, attrs: dict[object, object]) -> pd.DataFrame:
    """The typed visits, held against the cases once they are sound by themselves."""
    typed = _typed(checked, attrs)
    if cases is not None:
        known = as_cases(cases)
        faults = tuple(agreement_faults(checked.screened, known))
        if faults:
            raise TableError(faults)
        typed.attrs["invented"] = known.attrs["invented"]
    return typed


def _typed(checked: Checked, attrs: dict[object, object]) -> pd.DataFrame:
    """The frame users get, or all faults.

    What a typed frame no longer shows (which missing code a `nan` stood for, which columns were filled) is
    taken over from its own attributes where they still fit.
    """
    if checked.faults:
        raise TableError(checked.faults)
    screened = checked.screened
    frame = screened.typed
    missing = dict(screened.missing)
    known = attrs.get("missing")
    for name, counts in (known if isinstance(known, dict) else {}).items():
        if sum(counts.values()) == sum(missing.get(name, {}).values()):
            missing[name] = dict(counts)
    known_absent = attrs.get("absent")
    absent = [*screened.absent, *(known_absent if isinstance(known_absent, list) else ())]
    frame.attrs["missing"] = missing
    frame.attrs["absent"] = [name for name in frame.columns if name in absent]
    frame.attrs["invented"] = is_invented(frame)
    return frame


def is_invented(frame: pd.DataFrame) -> bool:
    """Whether any site says that the data are made up.

    Parameters
    ----------
    frame : DataFrame
        Typed `cases`, or `visits`, which name no site.

    Returns
    -------
    bool
    """
    return "site" in frame and bool(frame["site"].str.startswith(INVENTED).any())
