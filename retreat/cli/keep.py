"""``retreat keep``: a record moved between CSV files and an SQLite file."""

from __future__ import annotations

from pathlib import Path

import click

from retreat.cli.options import FILE


@click.command(epilog="Example: retreat keep clinic.sqlite --cases cases.csv --visits visits.csv")
@click.argument("target", type=FILE)
@click.option("--cases", type=FILE, required=True, help="Case table: CSV UTF-8, Excel or SQLite.")
@click.option("--visits", type=FILE, help="Visit table; default the one in the SQLite file of --cases.")
def command(target: Path, cases: Path, visits: Path | None) -> None:
    """Keep the record in TARGET: a new SQLite file (.sqlite, .db), or a folder for two CSV files.

    The tables are checked first, and every cell is kept as it is written. Each command that takes a table takes the
    SQLite file in its place.
    """
    from retreat.record import keep
    from retreat.tables import read_cases, read_visits

    written = keep(target, cases, visits)
    table = read_cases(written[0])
    n = len(table), len(read_visits(written[-1], table))
    print(f"kept {n[0]} cases and {n[1]} visits in {', '.join(map(str, written))}")
