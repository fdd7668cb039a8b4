"""``retreat forecast``: relieved, stopped, in treatment after each session, for the open cases of a table."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from retreat.cli.options import FILE, json_option

if TYPE_CHECKING:
    from retreat.forecast import Forecast

# cases named behind a note; the rest are counted, and --json gives each its own
_NAMED = 5


@click.command(
    epilog="Example: retreat forecast clinic.retreat --cases cases.csv --horizon 5 --out forecast.csv"
)
@click.argument("model", type=FILE)
@click.option("--cases", type=FILE, required=True, help="Case table; its open cases are forecast.")
@click.option("--horizon", default=8, show_default=True, help="Largest session.")
@click.option("--level", default=0.9, show_default=True, help="Coverage of the ranges.")
@click.option("--out", type=FILE, help="CSV file to write; else printed.")
@click.option(
    "--log", type=FILE, help="Also add the forecasts to this log in the clinic, for retreat update --watch."
)
@json_option
def command(
    model: Path, cases: Path, horizon: int, level: float, out: Path | None, log: Path | None, as_json: bool
) -> None:
    """Forecast the open cases of a table by the saved MODEL, each given the sessions it has had."""
    import sys

    import retreat
    from retreat.cli.folders import apart
    from retreat.cli.open_cases import forecast_open
    from retreat.cli.show import show_json
    from retreat.errors import Fault, FitError
    from retreat.model.request import check_usable

    if not 0 < level < 1:
        raise FitError(Fault("level", f"{level:g}", "between 0 and 1, for example 0.9"))
    apart(out, model, cases, log)
    apart(log, model, cases)
    fitted = retreat.load(model)
    table = retreat.read_cases(cases)
    check_usable(fitted.card)
    forecast, refused = forecast_open(fitted, table, horizon=horizon)
    print(f"{int((table['ending'] != 'ongoing').sum())} ended cases left aside", file=sys.stderr)
    found = fitted.card.validated
    checked = (
        f"{found.standing} ({found.scheme}, {found.date})"
        if found
        else "not yet: run retreat validate --into"
    )
    print(f"validated: {checked}", file=sys.stderr)
    for line in forecast.cautions:
        print(line, file=sys.stderr)
    for case, why in refused.items():
        print(f"case {case} is not forecast: {why}", file=sys.stderr)
    for note, noted in _by_note(forecast).items():
        more = f" and {len(noted) - _NAMED} more" if len(noted) > _NAMED else ""
        print(f"{note} (case {', '.join(noted[:_NAMED])}{more})", file=sys.stderr)
    if log is not None:
        from retreat.updating import append_forecast

        added = append_forecast(log, forecast, fitted.model_id)
        print(f"{added} forecasts added to {log}", file=sys.stderr)
    if as_json:
        show_json(forecast.to_json(level))
        return
    text = forecast.table(level).round(6).to_csv(index=False, lineterminator="\n")
    if out is None:
        print(text, end="")
        return
    from retreat.tables import write_atomically

    write_atomically(out, text)
    print(out)


def _by_note(forecast: Forecast) -> dict[str, list[str]]:
    cases: dict[str, list[str]] = {}
    for case, notes in zip(forecast.cases, forecast.notes, strict=True):
        for note in notes:
            cases.setdefault(note, []).append(case)
    return cases
