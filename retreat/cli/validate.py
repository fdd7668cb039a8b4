"""``retreat validate``: whether the numbers may be used."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from retreat.cli.options import FILE, json_option, method_option, model_option, seed_option

if TYPE_CHECKING:
    from retreat.validation.report import ValidationReport


@click.command(epilog="Example: retreat validate cases.csv --model core --method logistic --out validation")
@click.argument("cases", type=FILE)
@click.option("--out", type=FILE, help="Folder for calibration.html, calibration.json and measures.csv.")
@model_option
@method_option
@click.option("--folds", default=10, show_default=True, help="Folds; all cases of a patient are in one.")
@seed_option
@json_option
def command(
    cases: Path, out: Path | None, definition: str, method: str | None, folds: int, seed: int, as_json: bool
) -> None:
    """Compare predicted with observed on patients of CASES held out of the fit, beside the life table."""
    import retreat
    from retreat.cli.progress import counting
    from retreat.cli.show import show_json

    table = retreat.read_cases(cases)
    with counting("folds") as progress:
        report = retreat.validate(table, definition, method=method, folds=folds, seed=seed, progress=progress)
    if as_json:
        show_json(report.to_json())
    else:
        _print(report)
    if out is not None:
        for path in write_report([report], out):
            print(path)


def write_report(reports: list[ValidationReport], folder: Path) -> list[Path]:
    """Write the page, every number as JSON, and the measures as CSV into a folder."""
    import json

    import pandas as pd

    from retreat.cli.folders import made
    from retreat.pages.calibration import render_calibration
    from retreat.pages.html import write_page
    from retreat.tables import write_atomically

    made(folder)
    page, numbers, measures = (
        folder / name for name in ("calibration.html", "calibration.json", "measures.csv")
    )
    write_page(render_calibration(reports), page)
    write_atomically(numbers, json.dumps([r.to_json() for r in reports], indent=1, allow_nan=False) + "\n")
    tidy = pd.concat([r.table.assign(definition=r.definition, method=r.method) for r in reports])
    write_atomically(measures, tidy.to_csv(index=False, lineterminator="\n"))
    return [page, numbers, measures]


def _print(report: ValidationReport) -> None:
    from retreat.cli.show import show_table
    from retreat.model.card import INVENTED
    from retreat.pages.calibration import measure_rows, summary_lines

    if report.invented:
        print(INVENTED)
    headings = ("", "observed", "predicted", "observed/expected", "slope")
    show_table(headings, measure_rows(report))
    print(f"In brackets: {100 * report.level:.0f}% intervals.")
    for line in summary_lines(report):
        print(line)
