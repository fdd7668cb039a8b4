"""``retreat check``: whether a case table is sound."""

from __future__ import annotations

from pathlib import Path

import click

from retreat.cli.options import FILE, json_option


@click.command(epilog="Example: retreat check cases.csv --visits visits.csv")
@click.argument("file", type=FILE)
@click.option("--visits", type=FILE, help="Visit table to hold against it.")
@json_option
def command(file: Path, visits: Path | None, as_json: bool) -> None:
    """Check the case table FILE (CSV UTF-8, Parquet or Excel).

    Every fault is shown with its row, column, value, what is allowed and what to do.
    """
    from retreat.cli.given import told_apart
    from retreat.cli.show import fault_json, show_faults, show_json
    from retreat.errors import TableError
    from retreat.tables import check_file

    result = check_file(file, visits)
    faults = [told_apart(TableError(fault), fault) for fault in result.faults]
    if as_json:
        show_json(
            {
                "file": str(file),
                "sound": result.is_sound,
                "n_cases": result.n_cases,
                "n_patients": result.n_patients,
                "n_visits": result.n_visits,
                "verdict": result.verdict,
                "notes": list(result.notes),
                "faults": [fault_json(fault) for fault in faults],
            }
        )
    else:
        if faults:
            show_faults(faults)
        for note in result.notes:
            print(f"note: {note}")
        print(result.verdict)
    if not result.is_sound:
        click.get_current_context().exit(1)
