"""``retreat report study``: a case series to the tables, figures and form of a paper."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from retreat.cli.options import FILE, json_option, model_option, seed_option

if TYPE_CHECKING:
    from retreat.study.series import StudySeries


@click.command(epilog="Example: retreat report study cases.csv --model core --by site --out study")
@click.argument("cases", type=FILE)
@model_option
@click.option("--visits", type=FILE, help="Visit table: cases in treatment are told from those lost.")
@click.option(
    "--by",
    default="opacity",
    show_default=True,
    help="What the first table tells apart: site, operator or a feature.",
)
@click.option("--resamples", default=500, show_default=True, help="Samples of patients, 20 or more.")
@click.option(
    "--penalty",
    default="0",
    show_default=True,
    help="Of the effects: 0 (maximum likelihood), a number, firth, prior or cv.",
)
@click.option(
    "--imputations",
    type=int,
    help="Completed tables behind effects; 0 leaves incomplete cases out.  [default: 20, with --bayes 10]",
)
@click.option("--bayes", is_flag=True, help="Effects from a posterior too; takes minutes.")
@click.option(
    "--folds",
    default=0,
    show_default=True,
    help="Folds by patient of a cross-validation for the form; 0 for none.",
)
@click.option("--answers", type=FILE, help="TOML file with answers to the questions of the form.")
@click.option("--threshold", default=11, show_default=True, help="Counts below it are hidden.")
@click.option("--out", type=FILE, required=True, help="Folder to write.")
@seed_option
@json_option
def study(
    cases: Path,
    definition: str,
    visits: Path | None,
    by: str,
    resamples: int,
    penalty: str,
    imputations: int | None,
    bayes: bool,
    folds: int,
    answers: Path | None,
    threshold: int,
    out: Path,
    seed: int,
    as_json: bool,
) -> None:
    """Write who was studied in CASES, effects, the model in hand and the reporting form into one folder.

    Page, Word file, tables as CSV, HTML and LaTeX, figures as SVG and PNG, and every number as JSON. Small counts are
    hidden in all of them.
    """
    import retreat
    from retreat.cli.folders import made
    from retreat.cli.progress import counting
    from retreat.cli.show import show_json
    from retreat.pages.study_folder import write_study
    from retreat.study.series import study_series

    strength = _penalty(penalty)
    table = retreat.read_cases(cases)
    seen = None if visits is None else retreat.read_visits(visits, table)
    # a folder that cannot be made is told before the work
    made(out)
    with counting("describing, estimating, fitting") as progress:
        series = study_series(
            table,
            definition,
            visits=seen,
            by=by,
            resamples=resamples,
            penalty=strength,
            imputations=imputations,
            bayes=bayes,
            folds=folds,
            answers=answers,
            threshold=threshold,
            seed=seed,
            progress=progress,
        )
    paths = write_study(series, out)
    if as_json:
        show_json(series.to_json())
        return
    _print(series)
    print(f"written: {out} ({len(paths)} files); begin with {paths[0]}")


def _penalty(text: str) -> Any:
    if text in ("prior", "firth", "cv"):
        return text
    try:
        return float(text)
    except ValueError:
        raise click.UsageError(f"--penalty {text}: a number from 0, prior, firth or cv") from None


def _print(series: StudySeries) -> None:
    from retreat.cli.show import show_table
    from retreat.pages.study_tables import flow_grid, ratio_grid

    for line in series.cautions:
        print(line)
    print(series.cohort.rule)
    grids = [flow_grid(series.cohort.frames["flow"])]
    if series.effects is not None:
        grids.append(ratio_grid(series.effects.ratios, str(series.effects.facts["scale"])))
    for grid in grids:
        print(f"{grid.caption}:")
        show_table(grid.columns, grid.rows)
    for part in series.form.parts:
        print(f"{part.checklist.name}: {', '.join(f'{n} {state}' for state, n in part.counts.items())}")
    for name, why in series.refused.items():
        print(f"not told: {name}. {why}")
