"""``retreat update``: a saved model brought up to date in a practice, or watched for drift."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from retreat.cli.options import FILE, json_option, seed_option

if TYPE_CHECKING:
    from retreat.model import Model
    from retreat.updating import Update, Watch


@click.command(
    epilog="Example: retreat update clinic.retreat new-cases.csv --out updated.retreat\n\n"
    "To watch for drift: retreat update clinic.retreat cases.csv --watch forecasts.jsonl"
)
@click.argument("model", type=FILE)
@click.argument("cases", type=FILE)
@click.option("--out", type=FILE, help="File to write the updated model to.")
@click.option(
    "--step",
    default="auto",
    show_default=True,
    help="auto (a closed test chooses), none, intercepts, intercepts_slope or re_estimation.",
)
@click.option(
    "--folds", default=10, show_default=True, help="Folds by patient; the update is redone in each."
)
@click.option("--definition", help="Definition of a Bayesian model, where it is not a shipped one.")
@click.option("--discount", type=float, help="How much a Bayesian model's own information counts, 0 to 1.")
@click.option("--since", help="Use only cases started on this date (or year) or later.")
@click.option(
    "--other-practice",
    is_flag=True,
    help="You state that no case is among those the model was made from; noted in the model.",
)
@click.option(
    "--watch",
    "log",
    type=FILE,
    help="Log of retreat forecast --log: hold its forecasts against CASES instead of updating.",
)
@click.option(
    "--false-alarm",
    type=click.FloatRange(0.0, 1.0, min_open=True, max_open=True),
    default=0.05,
    show_default=True,
    help="Watching: chance of a false alarm a year.",
)
@seed_option
@json_option
def command(
    model: Path,
    cases: Path,
    out: Path | None,
    step: str,
    folds: int,
    definition: str | None,
    discount: float | None,
    since: str | None,
    other_practice: bool,
    log: Path | None,
    false_alarm: float,
    seed: int,
    as_json: bool,
) -> None:
    """Bring the saved MODEL up to date with a practice's CASES, no further than they support.

    The model must not have been fitted to these cases: they would count twice. Where the years overlap only you can
    know: use --since, or say --other-practice; else no verdict is drawn. With --watch, nothing is updated:
    forecasts made earlier are held against what CASES says happened since.
    """
    import retreat
    from retreat.cli.folders import apart
    from retreat.cli.progress import counting, working
    from retreat.cli.show import show_json

    if (out is None) == (log is None):
        raise click.UsageError("give --out FILE to update, or --watch LOG to watch for drift; not both")
    apart(out, model, cases)
    fitted = retreat.load(model)
    table = retreat.read_cases(cases)
    if log is not None:
        from retreat.updating import watch

        with working("watching"):
            seen = watch(log, table, model_id=fitted.model_id, false_alarm=false_alarm, seed=seed)
        if as_json:
            show_json({**seen.to_json(), "cautions": list(fitted.card.cautions)})
        else:
            _show_watch(seen, fitted)
        return
    from retreat.updating import update

    with counting("updating") as progress:
        found = update(
            fitted,
            table,
            step=step,  # type: ignore[arg-type]  # checked inside
            folds=folds,
            definition=definition,
            discount=discount,
            since=since,
            other_practice=other_practice,
            seed=seed,
            progress=progress,
        )
    if out is not None:
        found.model.save(out)
    if as_json:
        show_json({**found.to_json(), "file": str(out)})
    else:
        _show_update(found, out)


def _show_update(found: Update, out: Path | None) -> None:
    from retreat.cli.show import show_table

    for line in found.model.card.cautions:
        print(line)
    ended = ", ".join(f"{n} {end}" for end, n in found.n_ended.items())
    print(f"{found.n_cases} cases of {found.n_patients} patients: {ended}; {found.n_left_out} left out")
    for line in found.words:
        print(line)
    rows = [
        (
            row.end,
            str(row.session),
            _NAMES[row.measure],
            _value(row.before, row.before_low, row.before_high),
            _value(row.after, row.after_low, row.after_high),
        )
        for row in found.calibration_rows
    ]
    show_table(("end", "by session", "measure", "before", "after"), rows)
    print(f"model {found.model.model_id} written to {out}")


_NAMES = {
    "observed_expected": "observed/expected",
    "slope": "calibration slope",
    "brier_at": "Brier score",
    "scaled_brier_at": "better than the overall share by",
}


def _show_watch(seen: Watch, model: Model) -> None:
    from retreat.cli.show import show_table

    for line in model.card.cautions:
        print(line)
    rows = [
        (
            row.quarter,
            row.end,
            str(row.n),
            str(row.observed),
            f"{row.expected:.1f}",
            _value(row.ratio, row.low, row.high),
        )
        for row in seen.quarter_rows
    ]
    show_table(("quarter", "end", "forecasts", "observed", "expected", "observed/expected"), rows)
    for line in seen.words:
        print(line)


def _value(value: float, low: float, high: float) -> str:
    if value != value:
        return "cannot be told"
    return f"{value:.2f} ({low:.2f} to {high:.2f})" if low == low and high == high else f"{value:.2f}"
