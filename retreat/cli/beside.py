"""The visit table that stands beside the cases in one SQLite file."""

from __future__ import annotations

from pathlib import Path

NO_VISITS = "this model takes in what the sessions showed: give --visits"


def visits_of(cases: Path | None, visits: Path | None) -> Path | None:
    """The visit table given; else the SQLite file of the cases, where it holds visits.

    Parameters
    ----------
    cases, visits : Path or None
        As given on the command line.

    Raises
    ------
    TableError
        If the SQLite file cannot be read.
    """
    from retreat.tables.database import DATABASES, has_rows

    if visits is not None or cases is None or cases.suffix.lower() not in DATABASES:
        return visits
    return cases if has_rows(cases, "visits") else None
