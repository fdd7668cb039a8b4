"""A table checked as a whole: header, cells, rules across cells; every fault at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from retreat.errors import Fault
from retreat.tables.case_rules import case_faults
from retreat.tables.column import Schema
from retreat.tables.files import FIRST_ROW, RawTable
from retreat.tables.header import check_header, is_foreign
from retreat.tables.schema import CASES, name_of
from retreat.tables.screening import Screened, columns_of, screen
from retreat.tables.visit_rules import visit_faults


@dataclass(frozen=True)
class Checked:
    """A table with all its faults.

    Parameters
    ----------
    screened : Screened
        Cells typed, as far as they are sound.
    faults : tuple of Fault
        Header first, then by row.
    """

    screened: Screened
    faults: tuple[Fault, ...]


def check_raw(raw: RawTable, schema: Schema) -> Checked:
    """Check a table as read from a file.

    Rules across rows need every row: they wait until each row splits into its cells.

    Parameters
    ----------
    raw : RawTable
        From `files.read_raw`.
    schema : Schema
        `CASES` or `VISITS`.

    Returns
    -------
    Checked
    """
    header = check_header(raw.header, schema)
    screened = screen(columns_of(raw.header, raw.columns, schema), schema, raw.rows)
    if is_foreign(raw.header, schema):
        return Checked(screened, header)
    across: Sequence[Fault] = ()
    if not raw.faults:
        across = tuple(case_faults(screened) if schema == CASES else visit_faults(screened))
    order = {column.name: place for place, column in enumerate(schema)}
    by_row = sorted(
        (*raw.faults, *screened.faults, *across),
        key=lambda fault: (fault.row or 0, order.get(fault.column or "", -1)),
    )
    return Checked(screened, (*header, *by_row))


def raw_of(frame: pd.DataFrame) -> RawTable:
    """A DataFrame as if it had been read from a file: the first row is row 2.

    Parameters
    ----------
    frame : DataFrame
        Columns by name, doubled ones included.

    Returns
    -------
    RawTable
    """
    header = tuple(str(name) for name in frame.columns)
    series = tuple(frame.iloc[:, place] for place in range(frame.shape[1]))
    return RawTable(header, series, np.arange(FIRST_ROW, FIRST_ROW + len(frame), dtype=np.int64))


def check_frame(frame: pd.DataFrame, schema: Schema) -> tuple[Fault, ...]:
    """All that is wrong with a table.

    Parameters
    ----------
    frame : DataFrame
        Typed, or as text; `nan` in a numeric column counts as missing.
    schema : Schema
        `CASES` or `VISITS`.

    Returns
    -------
    tuple of Fault
        Empty for a sound table. Row 2 is the first row of the frame.

    Examples
    --------
    >>> import pandas as pd
    >>> from retreat.tables.schema import CASES
    >>> frame = pd.DataFrame({"case": ["k7"], "patient": ["p3"], "eye": ["R"], "started": ["2021"],
    ...                       "sessions": ["2"], "ending": ["relieved"], "opacity": ["ring"]})
    >>> print(*check_frame(frame, CASES))
    row 2, eye: value 'R'; allowed: right, left; to mend: write right
    """
    if not len(frame):
        return (Fault(name_of(schema), "the table has no rows", "one row a case or visit", "add rows"),)
    return check_raw(raw_of(frame), schema).faults
