"""``retreat forecast``: relieved, stopped, in treatment after each session, for the open cases of a table."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from retreat.cli.options import FILE, json_option

if TYPE_CHECKING:
    from retreat.forecast import Forecast

# cases named behind a note, and cases shown; the rest are counted, and --json gives each its own
_NAMED, _SHOWN = 5, 20


@click.command(
    epilog="Example: retreat forecast clinic.retreat --cases cases.csv --horizon 5 --out forecast.csv"
)
@click.argument("model", type=FILE)
@click.option("--cases", type=FILE, required=True, help="Case table; its open cases are forecast.")
@click.option(
    "--visits",
    type=FILE,
    help="Visit table: what the sessions showed; default the one in the SQLite file of CASES.",
)
@click.option("--horizon", default=8, show_default=True, help="Largest session.")
@click.option("--level", default=0.9, show_default=True, help="Coverage of the ranges.")
@click.option(
    "--out", type=FILE, help="CSV file to write: every case, session by session; else a summary is printed."
)
@click.option(
    "--log", type=FILE, help="Also add the forecasts to this log in the clinic, for retreat update --watch."
)
@json_option
def command(
    model: Path,
    cases: Path,
    visits: Path | None,
    horizon: int,
    level: float,
    out: Path | None,
    log: Path | None,
    as_json: bool,
) -> None:
    """Forecast the open cases of a table by the saved MODEL, each given the sessions it has had."""
    import sys

    import retreat
    from retreat.cli.beside import NO_VISITS, visits_of
    from retreat.cli.folders import apart
    from retreat.cli.open_cases import forecast_open
    from retreat.cli.show import show_json
    from retreat.errors import Fault, FitError
    from retreat.model.request import check_usable

    if not 0 < level < 1:
        percent = f"{level:g}% is --level {level / 100:g}" if 1 < level < 100 else "for example --level 0.9"
        raise FitError(Fault("level", f"{level:g}", "above 0 and below 1", percent))
    visits = visits_of(cases, visits)
    apart(out, model, cases, visits, log)
    apart(log, model, cases, visits)
    fitted = retreat.load(model)
    table = retreat.read_cases(cases)
    seen = None if visits is None else retreat.read_visits(visits, table)
    check_usable(fitted.card)
    forecast, refused = forecast_open(fitted, table, horizon=horizon, visits=seen)
    if seen is None and fitted.history is not None:
        print(NO_VISITS, file=sys.stderr)
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
    if out is None:
        _summarise(forecast, level)
        return
    from retreat.tables import write_atomically

    write_atomically(out, forecast.table(level).round(6).to_csv(index=False, lineterminator="\n"))
    print(out)


def _summarise(forecast: Forecast, level: float) -> None:
    """One row a case, the first of them; cautions and notes have been told already."""
    from retreat.cli.show import show_table

    def session(value: float) -> str:
        return f"{value:.0f}" if value == value else f"over {forecast.horizon}"

    found = forecast.sessions(level)
    rows = [
        (
            row["case"],
            str(row["done"]),
            f"{row['further']:.1f}",
            session(row["median"]),
            session(row["low"])
            if row["low"] != row["low"]
            else f"{session(row['low'])} to {session(row['high'])}",
            f"{100 * row['beyond']:.0f}%",
        )
        for row in found.head(_SHOWN).to_dict("records")
    ]
    past = f"past session {forecast.horizon}"
    headings = ("case", "done", "further, mean", "ends at, middle", f"{100 * level:g}% range", past)
    show_table(headings, rows)
    more = f"and {len(found) - _SHOWN} more; " if len(found) > _SHOWN else ""
    further = f"{found['further'].sum():.0f} further sessions expected up to session {forecast.horizon}"
    print(
        f"{more}{len(found)} open cases, {further} if all come back. Sessions count from the first of the course."
    )
    print("Every case, session by session, with each end: --out FILE (CSV) or --json.")


def _by_note(forecast: Forecast) -> dict[str, list[str]]:
    cases: dict[str, list[str]] = {}
    for case, notes in zip(forecast.cases, forecast.notes, strict=True):
        for note in notes:
            cases.setdefault(note, []).append(case)
    return cases
