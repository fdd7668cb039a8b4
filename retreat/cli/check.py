"""``retreat check``: whether a case table is sound."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

EXAMPLE = "Example: retreat check cases.csv --visits visits.csv"


def command(
    file: Annotated[
        Path, typer.Argument(help="Case table: CSV UTF-8, Parquet or Excel.", show_default=False)
    ],
    visits: Annotated[Path | None, typer.Option(help="Visit table to hold against it.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print every fault as JSON.")] = False,
) -> None:
    """Check a case table: every fault with its row, column, value, what is allowed and what to do."""
    from retreat.cli.show import fault_json, show_faults, show_json
    from retreat.tables import check_file

    result = check_file(file, visits)
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
                "faults": [fault_json(fault) for fault in result.faults],
            }
        )
    else:
        if result.faults:
            show_faults(result.faults)
        for note in result.notes:
            print(f"note: {note}")
        print(result.verdict)
    if not result.is_sound:
        raise typer.Exit(1)
