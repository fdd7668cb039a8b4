"""``retreat report``: pages about a model rather than an eye."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from retreat.cli.options import FILE, json_option, model_option, seed_option
from retreat.cli.share import share
from retreat.cli.study import study
from retreat.cli.study_size import size

if TYPE_CHECKING:
    from retreat.checks import FitChecks
    from retreat.elicitation import PriorReport


@click.group(epilog="Example: retreat report priors --model core --out priors.html")
def command() -> None:
    """Write pages about a model: what its priors say and imply, and whether a Bayesian fit is like its cases."""


command.add_command(size)
command.add_command(share)
command.add_command(study)


@command.command(epilog="Example: retreat report priors --model core --cases cases.csv --out priors.html")
@model_option
@click.option("--fitted", type=FILE, help="Saved model of the same definition, to set beside the priors.")
@click.option(
    "--cases", type=FILE, help="Case table; fitted by the Bayesian route and set beside the priors."
)
@click.option("--out", type=FILE, help="HTML file to write.")
@seed_option
@json_option
def priors(
    definition: str, fitted: Path | None, cases: Path | None, out: Path | None, seed: int, as_json: bool
) -> None:
    """Show each prior with its reason, what the priors imply for described eyes, and whether cases contradict them."""
    from retreat.cli.folders import apart
    from retreat.cli.progress import working
    from retreat.cli.show import show_json
    from retreat.elicitation import prior_report

    if fitted is not None and cases is not None:
        raise click.UsageError("--fitted and --cases do not go together")
    apart(out, fitted, cases, Path(definition))
    model = table = None
    if fitted is not None:
        from retreat.model import load

        model = load(fitted)
    if cases is not None:
        from retreat.tables import read_cases

        table = read_cases(cases)
    with working("looking at the priors"):
        report = prior_report(definition, cases=table, model=model, seed=seed)
    if as_json:
        show_json(report.to_json())
    else:
        _print(report)
    if out is not None:
        from retreat.pages.html import write_page
        from retreat.pages.priors import render_priors

        write_page(render_priors(report), out)
        if not as_json:
            print(f"page written to {out}")


@command.command(
    epilog="Example: retreat report fit cases.csv --model core --against frailty --against mover_stayer --out fit.html"
)
@click.argument("cases", type=FILE)
@model_option
@click.option(
    "--against",
    "others",
    multiple=True,
    help="Definition to hold beside it, on the same cases. May be repeated.",
)
@click.option(
    "--folds",
    default=0,
    show_default=True,
    help="Folds by patient beside leaving out single cases; 0 takes ten only where many cases need it.",
)
@click.option("--out", type=FILE, help="HTML file to write.")
@seed_option
@json_option
def fit(
    cases: Path,
    definition: str,
    others: tuple[str, ...],
    folds: int,
    out: Path | None,
    seed: int,
    as_json: bool,
) -> None:
    """Check a Bayesian fit to CASES: replicated clinics, cases foreseen by the others, definitions side by side."""
    import retreat
    from retreat.cli.folders import apart
    from retreat.cli.progress import working
    from retreat.cli.show import show_json

    apart(out, cases, Path(definition), *map(Path, others))
    table = retreat.read_cases(cases)
    with working("checking the fit"):
        checks = retreat.check_fit(table, definition, others=others, folds=folds, seed=seed)
    if as_json:
        show_json(checks.to_json())
    else:
        _print_checks(checks)
    if out is not None:
        from retreat.pages.fit_checks import render_fit_checks
        from retreat.pages.html import write_page

        write_page(render_fit_checks(checks), out)
        if not as_json:
            print(f"page written to {out}")


def _print_checks(checks: FitChecks) -> None:
    from retreat.cli.show import show_table
    from retreat.pages.fit_checks import (
        comparison_columns,
        comparison_rows,
        number_columns,
        number_rows,
        summary_lines,
    )

    for line in checks.cautions:
        print(line)
    print(f"{checks.title} ({checks.definition}): {checks.n_cases} cases of {checks.n_patients} patients")
    show_table(tuple(name.lower() for name in number_columns()), number_rows(checks))
    level = 100 * checks.discrepancies.level
    print(f"Replicated: range of {level:.0f} of 100 clinics as the model says they might have been.")
    if len(checks.beside) > 1:
        show_table(tuple(name.lower() for name in comparison_columns()), comparison_rows(checks))
    for line in summary_lines(checks):
        print(line)
    for note in checks.notes:
        print(f"note: {note}")


def _print(report: PriorReport) -> None:
    from retreat.cli.show import show_table
    from retreat.pages.priors import closing_lines, course_lines, implied_columns, implied_rows, number_words

    for line in report.cautions:
        print(line)
    print(f"{report.definition.title} ({report.definition.name})")
    show_table(
        ("prior", "95 of 100 in brackets"), [(line.subject, number_words(line)) for line in report.lines]
    )
    if course := course_lines(report.definition):
        show_table(("a course under way", "reason"), course)
    show_table(tuple(name.lower() for name in implied_columns(report)), implied_rows(report))
    print(f"Shares of 100 eyes, for an operator not seen; in brackets {100 * report.level:.0f}% ranges.")
    for line in closing_lines(report):
        print(line)
    for note in report.notes:
        print(f"note: {note}")
