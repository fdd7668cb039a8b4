"""Invented tables for the tests of `retreat.tables`: one sound table as text, and a strategy that makes more."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd
from hypothesis import strategies as st

from retreat.features import MISSING_CODES
from retreat.tables.column import Column
from retreat.tables.schema import CASES

CASE_ROWS = (
    "case,patient,eye,operator,site,started,sessions,ending,stop_reason,opacity,size_mm,lens_gap_mm,"
    "retina_gap_mm,axial_mm,age",
    "k7f3q9zt,p4x,right,op1,s1,2021-03-04,2,relieved,not_applicable,ring,2.5,8.2,8.2,24.0,61",
    "m2c8w5rd,p4x,left,op1,s1,2021,1,stopped,no_benefit,strand,unknown,5,not_recorded,23.5,61",
    "t9b4k6hn,p012,right,op2,s1,2022,3,ongoing,not_applicable,cloud,4,not_recorded,6,not_recorded,90",
    "w3d7j2ps,A17,left,op2,s1,2023-11-30,0,ongoing,not_recorded,sheet,7.25,9,7,24.1,not_recorded",
)
VISIT_ROWS = (
    "case,session,day,operator,pulses,energy_mj,cleared,fragments,bother,event,missed",
    "k7f3q9zt,1,0,op1,210,4.5,0.6,few,5,none,no",
    "k7f3q9zt,2,30,not_applicable,not_applicable,not_applicable,not_applicable,not_applicable,not_applicable,"
    "not_applicable,yes",
    "k7f3q9zt,2,44,op1,150,4.5,0.95,none,1,none,no",
    "m2c8w5rd,1,0,op1,180,5,0.2,many,8,none,no",
    "t9b4k6hn,1,0,op2,250,6,0.3,many,7,pressure,no",
    "t9b4k6hn,2,28,op2,240,6,0.5,few,not_recorded,none,no",
    "t9b4k6hn,3,60,op2,unknown,6,0.7,few,4,none,no",
)


def frame_of(rows: tuple[str, ...]) -> pd.DataFrame:
    """Rows of comma-separated text as a frame of text."""
    header, *lines = (row.split(",") for row in rows)
    return pd.DataFrame(lines, columns=header, dtype="str")


def changed(rows: tuple[str, ...], row: int, **cells: str) -> pd.DataFrame:
    """The frame with some cells of a spreadsheet row (the header is 1) replaced."""
    frame = frame_of(rows)
    for name, value in cells.items():
        frame.loc[row - 2, name] = value
    return frame


def cell_of(column: Column) -> st.SearchStrategy[str]:
    """Allowed texts of one cell, rules across cells left aside."""
    if column.kind == "category":
        sound = st.sampled_from(column.levels)
    elif column.kind == "date":
        days = st.dates(pd.Timestamp("1990-01-01").date(), pd.Timestamp("2024-12-31").date())
        sound = days.map(str) | st.integers(1990, 2024).map(str)
    elif column.kind == "integer":
        sound = st.integers(int(column.low), int(column.high)).map(str)
    elif column.kind == "number":
        top = column.high if column.top_code is None else column.top_code - 1
        sound = st.floats(column.low, top).map(repr) | st.integers(-int(-column.low // 1), int(top)).map(str)
        if column.top_code is not None:
            sound |= st.just(f"{column.top_code:g}")
    else:
        sound = st.sampled_from(["op1", "op_2", "s3", "invented_north", "B", "site 4"])
    return sound | st.sampled_from(MISSING_CODES) if column.may_be_missing else sound


@st.composite
def case_tables(draw: Callable[..., Any]) -> pd.DataFrame:
    """Sound case tables as text, every column there; the rules across cells are kept by construction."""
    n = draw(st.integers(1, 4))
    key = st.from_regex(r"[a-z][0-9][a-z][0-9][a-z][0-9]{2}[a-z]", fullmatch=True)
    cases = draw(st.lists(key, min_size=n, max_size=n, unique=True))
    patients = draw(st.lists(key, min_size=n, max_size=n, unique=True))
    rows = []
    for case, patient in zip(cases, patients, strict=True):
        row = {column.name: draw(cell_of(column)) for column in CASES if column.kind != "key"}
        row |= {"case": case, "patient": patient}
        if row["ending"] == "stopped":
            row["stop_reason"] = draw(
                st.sampled_from(["no_benefit", "side_effect", "surgery", "choice", "unknown"])
            )
        else:
            row["stop_reason"] = draw(st.sampled_from(["not_applicable", "not_recorded"]))
        if row["ending"] != "ongoing":
            row["sessions"] = str(draw(st.integers(1, 40)))
        row |= draw(gaps())
        rows.append(row)
    return pd.DataFrame(rows, columns=[column.name for column in CASES], dtype="str")


@st.composite
def gaps(draw: Callable[..., Any]) -> dict[str, str]:
    """An axial length and two gaps that add to the vitreous behind a lens which ends at 7.6 mm (value O02)."""
    axial = draw(st.floats(18, 32))
    share = draw(st.floats(0, 1))
    vitreous = axial - 7.6
    cells = {
        "axial_mm": repr(axial),
        "lens_gap_mm": repr(share * vitreous),
        "retina_gap_mm": repr((1 - share) * vitreous),
    }
    hidden = draw(st.sets(st.sampled_from(sorted(cells))))
    return cells | {name: draw(st.sampled_from(MISSING_CODES)) for name in hidden}
