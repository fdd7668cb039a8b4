"""Visits of one eye that is described by options: read without pandas, so that its sheet comes at once."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from retreat.errors import Fault, TableError
from retreat.features import Columns
from retreat.tables.schema import VISITS, find, parse_value

_KNOWN = {column.name for column in VISITS}


def seen_of(path: Path, key: str) -> tuple[dict[str, list[Any]], Columns]:
    """Key and sessions done of an eye, and its visits.

    Parameters
    ----------
    path : Path
        Visit table.
    key : str
        Of the case.

    Raises
    ------
    TableError
        If the file cannot be read, has no visit of the case, or one of them is at fault.
    """
    rows = _plain_rows(path)
    if rows is None:  # no plain CSV file: the reader of tables knows the others, and says what is wrong
        import retreat

        table = retreat.read_visits(path)
        columns = {name: table[name].tolist() for name in table.columns}
        rows = [(i + 2, {name: columns[name][i] for name in columns}) for i in range(len(table))]
    else:
        rows = [(number, row) for number, row in rows if row["case"] == key]
        _check_cells(rows)
    own = [row for _, row in rows if row["case"] == key]
    if not own:
        raise TableError(
            Fault("--case", f"no visit of case {key} in {path}", "a key of the column case", value=key)
        )
    attended = sorted(int(float(row["session"])) for row in own if row.get("missed") != "yes")
    if attended != list(range(1, len(attended) + 1)):
        told = ", ".join(map(str, attended))
        what = f"the sessions of case {key} are {told}"
        raise TableError(
            Fault(
                str(path), what, "1, 2, 3, ... once each", "add the row, or number the sessions without holes"
            )
        )
    return {"case": [key], "sessions": [len(attended)]}, {name: [row[name] for row in own] for name in own[0]}


def _plain_rows(path: Path) -> list[tuple[int, Mapping[str, Any]]] | None:
    """Rows of a CSV file with commas, each with its number; None where the file is anything else."""
    from retreat.journal import read_settled

    if path.suffix.lower() != ".csv":
        return None
    try:
        lines = list(
            csv.reader(read_settled(path).decode("utf-8-sig").splitlines(keepends=True), strict=True)
        )
    except (OSError, UnicodeDecodeError, csv.Error):
        return None
    header = lines[0] if lines else []
    if not {"case", "session"} <= set(header) or len(set(header)) < len(header) or not set(header) <= _KNOWN:
        return None
    if any(len(line) != len(header) for line in lines):
        return None
    return [(i + 2, dict(zip(header, line, strict=True))) for i, line in enumerate(lines[1:])]


def _check_cells(rows: list[tuple[int, Mapping[str, Any]]]) -> None:
    faults = []
    for number, row in rows:
        for name, text in row.items():
            try:
                parse_value(find(name, VISITS), text)
            except TableError as error:
                faults += [Fault(f.where, f.what, f.allowed, f.fix, number, name, text) for f in error.faults]
    if faults:
        raise TableError(faults)
