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
    """
    from retreat.tables.database import DATABASES, read_database

    if visits is not None or cases is None or cases.suffix.lower() not in DATABASES:
        return visits
    from retreat.errors import TableError

    try:
        _, lines = read_database(cases, "visits")
    except TableError:
        return None  # no such table; whatever else is wrong is said by the reader of the cases
    return cases if lines else None
