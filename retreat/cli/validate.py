"""``retreat validate``: whether the numbers may be used."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from retreat.cli.options import FILE, json_option, method_option, model_option, seed_option

if TYPE_CHECKING:
    from retreat.validation.report import ValidationReport


@click.command(
    epilog="Example: retreat validate cases.csv --model core --resamples 500 --out validation --into clinic.retreat"
)
@click.argument("cases", type=FILE)
@click.option("--out", type=FILE, help="Folder for calibration.html, calibration.json and measures.csv.")
@click.option(
    "--into", type=FILE, help="Saved model of the same recipe, to carry the verdict on every sheet."
)
@model_option
@method_option
@click.option("--resamples", default=0, show_default=True, help="Bootstrap samples; 0 for none.")
@click.option(
    "--correction",
    default="harrell",
    show_default=True,
    help="How the bootstrap corrects: harrell or 632+.",
)
@click.option(
    "--folds", type=int, help="Folds; all cases of a patient are in one (default: 10; 5 for progress)."
)
@click.option("--repeats", default=1, show_default=True, help="Deals into folds.")
@click.option(
    "--by", multiple=True, help="operator, site or period: leave each out in turn. May be repeated."
)
@click.option(
    "--imputations",
    default=0,
    show_default=True,
    help="Imputed copies of each sample; 0 leaves incomplete cases out.",
)
@click.option(
    "--visits",
    type=FILE,
    help="Visit table: what a model with a history learns from; default the one in the SQLite file of CASES.",
)
@click.option(
    "--at",
    help="Sessions had after which forecasts are looked at, such as 0,1,2,3; the word none for no such look.",
)
@click.option("--jobs", default=1, show_default=True, help="Processes; -1 is one a core.")
@click.option("--cluster", default="", help="Address of a Dask scheduler that does the work.")
@seed_option
@json_option
def command(
    cases: Path,
    out: Path | None,
    into: Path | None,
    definition: str,
    method: str | None,
    resamples: int,
    correction: str,
    folds: int | None,
    repeats: int,
    by: tuple[str, ...],
    imputations: int,
    visits: Path | None,
    at: str | None,
    jobs: int,
    cluster: str,
    seed: int,
    as_json: bool,
) -> None:
    """Compare predicted with observed on patients of CASES held out of the fit, beside the life table.

    Also beside everyone alike and boosted trees. retreat.validate(..., challengers=("null", "lifetable", "boosted",
    "frailty")) of the library holds the Bayesian frailty model beside it too.
    """
    import retreat
    from retreat.cli.beside import visits_of
    from retreat.cli.folders import made
    from retreat.cli.progress import counting
    from retreat.cli.show import show_json

    model = None if into is None else retreat.load(into)
    landmarks = _landmarks(at)
    table = retreat.read_cases(cases)
    beside = visits_of(cases, visits)
    sessions = None if beside is None else retreat.read_visits(beside, table)
    # what would stop the writing at the end is told before the long work
    if model is not None and into is not None:
        from retreat.cli.into import check_into

        check_into(model, into, table, definition, method, imputations)
    if out is not None:
        made(out)
    with counting("validating") as progress:
        report = retreat.validate(
            table,
            definition,
            method=method,
            resamples=resamples,
            correction=correction,  # type: ignore[arg-type]  # checked inside
            folds=folds,
            repeats=repeats,
            by=by,
            imputations=imputations,
            visits=sessions,
            at=landmarks,
            jobs=jobs,
            cluster=cluster,
            seed=seed,
            progress=progress,
        )
    if as_json:
        show_json(report.to_json())
    else:
        _print(report)
    if out is not None:
        for path in write_report([report], out):
            print(path)
    if model is not None and into is not None:
        report.stamp(model).save(into)
        print(f"verdict written into {into}")


def _landmarks(text: str | None) -> tuple[int, ...] | None:
    if text is None:
        return None
    if text.strip() == "none":
        return ()
    parts = [part.strip() for part in text.split(",")]
    if not all(part.isascii() and part.isdecimal() for part in parts):
        allowed = "whole sessions had with commas, such as 0,1,2,3, or none"
        raise click.BadParameter(f"{text!r} is not {allowed}", param_hint="--at")
    return tuple(int(part) for part in parts)


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
    headings = ("on held-out patients", "observed", "predicted", "observed/expected", "slope")
    show_table(headings, measure_rows(report))
    print(f"In brackets: nominal {100 * report.level:.0f}% intervals.")
    for line in summary_lines(report):
        print(line)
