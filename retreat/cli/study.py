"""``retreat report study``: a case series to the tables, figures and form of a paper."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from retreat.cli.options import FILE, json_option, model_option
from retreat.cli.study_options import folds, group, imputations, only_file, penalty, typed

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
    callback=group,
    help="What the first table tells apart: site, operator, eye, opacity, opacities, cornea, lens, pvd or "
    "depth_source.",
)
@click.option(
    "--resamples",
    type=click.IntRange(20),
    default=500,
    show_default=True,
    help="Samples of patients behind intervals of incidence.",
)
@click.option(
    "--penalty",
    default="0",
    show_default=True,
    callback=penalty,
    help="Of the effects: 0 (maximum likelihood), a number above, firth, prior or cv.",
)
@click.option(
    "--imputations",
    type=int,
    callback=imputations,
    help="Completed tables behind effects, 2 to 200; 0 leaves incomplete cases out.  [default: 20, with --bayes 10]",
)
@click.option("--bayes", is_flag=True, help="Effects from a posterior too; takes minutes.")
@click.option(
    "--folds",
    type=int,
    default=0,
    show_default=True,
    callback=folds,
    help="Folds by patient of a cross-validation for the form, 2 or more; 0 for none.",
)
@click.option(
    "--answers",
    type=FILE,
    help="TOML file with answers to the questions of the form: a run writes answers.toml to copy and fill.",
)
@click.option(
    "--threshold",
    type=click.IntRange(1, 1000),
    default=11,
    show_default=True,
    help="Counts below it are hidden.",
)
@click.option(
    "--out",
    type=FILE,
    required=True,
    help="Folder to write: new, or of an earlier run and unchanged since, which is written anew.",
)
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="Seed of everything random."
)
@json_option
def study(
    cases: Path,
    definition: str,
    visits: Path | None,
    by: str,
    resamples: int,
    penalty: Any,
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

    Page, Word file, tables as CSV, HTML and LaTeX, figures as SVG and PNG, coefficients and every number as JSON, the
    questions of the form that are open as answers.toml, and README.txt which says what each file is. Small counts are
    hidden in all of them. A folder that holds other or changed files is refused.
    """
    from dataclasses import replace

    import retreat
    from retreat.cli.folders import made
    from retreat.cli.progress import counting
    from retreat.cli.show import show_json
    from retreat.cli.usage import told_by
    from retreat.own_folder import check_own
    from retreat.pages.study_folder import write_study
    from retreat.study.given_answers import answers_given
    from retreat.study.series import study_series

    with told_by({"cases": "CASES"}, typed):
        given = {"CASES": cases, "--visits": visits, "--answers": answers, "--model": _file(definition)}
        # all that can be refused is refused before the work
        check_own(out, {name: path for name, path in given.items() if path is not None})
        only_file("CASES", cases)
        if visits is not None:
            only_file("--visits", visits)
        answered = None if answers is None else answers_given(answers)
        table = retreat.read_cases(cases)
        seen = None if visits is None else retreat.read_visits(visits, table)
        made(out)
        with counting("describing, estimating, fitting") as progress:
            series = study_series(
                table,
                definition,
                visits=seen,
                by=by,
                resamples=resamples,
                penalty=penalty,
                imputations=imputations,
                bayes=bayes,
                folds=folds,
                answers=answered,
                threshold=threshold,
                seed=seed,
                progress=progress,
            )
        series = replace(series, refused={name: typed(why) for name, why in series.refused.items()})
        paths = write_study(series, out)
    if as_json:
        show_json(series.to_json())
        return
    _print(series)
    print(f"written: {out} ({len(paths)} files); begin with {paths[0]}")
    _print_questions(series, out)


def _file(definition: str) -> Path | None:
    """The path of a definition that is a file and not the name of a shipped one."""
    path = Path(definition)
    return path if path.is_file() else None


def _print_questions(series: StudySeries, out: Path) -> None:
    from retreat.study.given_answers import ANSWERS

    n = sum(bool(line.question) for part in series.form.parts for line in part.lines)
    if n:
        print(f"{n} questions of the form are open: copy {out / ANSWERS}, fill it, and give it to --answers.")
    else:
        print("No question of the form is open.")


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
