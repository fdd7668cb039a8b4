"""``retreat sheet``: one counselling sheet from a saved model; numpy, jinja2 and click are all it loads."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from retreat.cli.options import FILE, case_options, one_case

if TYPE_CHECKING:
    import pandas as pd

    from retreat.features import Columns


@click.command(
    epilog="Example: retreat sheet clinic.retreat --opacity ring --size-mm 2 --zone middle "
    "--cornea none --lens natural --out sheet.html"
)
@click.argument("model", type=FILE)
@click.option("--out", type=FILE, help="HTML file to write; else printed as text.")
@click.option("--case", help="Key of a case in --cases.")
@click.option("--cases", type=FILE, help="Case table to take --case from.")
@click.option(
    "--visits",
    type=FILE,
    help="Visit table with the sessions of --case, for a course under way; default the one in SQLite --cases.",
)
@click.option("--practice", default="", help="Name of the practice on the sheet.")
@click.option("--horizon", type=int, help="Last session shown; default 5, or 3 after those done.")
@click.option("--date", help="Date of the sheet, ISO; default today.")
@case_options
def command(
    model: Path,
    out: Path | None,
    case: str | None,
    cases: Path | None,
    visits: Path | None,
    practice: str,
    horizon: int | None,
    date: str | None,
    **values: str | None,
) -> None:
    """Write the counselling sheet of one case by the saved MODEL.

    The case is described by options, one a column of the case table, or taken from a table. With --visits the sheet
    of a course under way tells what the sessions showed; a model with a history takes it into its numbers.
    """
    from retreat.cli.beside import NO_VISITS, visits_of
    from retreat.cli.folders import apart
    from retreat.model import load
    from retreat.pages.sheet import build_sheet

    visits = visits_of(cases, visits)
    apart(out, model, cases, visits)
    fitted = load(model)
    if visits is not None and case is None:
        raise click.UsageError("--visits needs --case, the key of the eye in it")
    columns, seen = _from_tables(cases, case, visits)
    told = one_case(values)
    _check_same(columns, told)
    columns = {**columns, **told}
    done = int(columns.pop("sessions", [0])[0])
    if fitted.history is not None and done and seen is None:
        print(NO_VISITS, file=sys.stderr)
    last = max(5, done + 3) if horizon is None else horizon
    sheet = build_sheet(
        fitted, columns, visits=seen, done=done, horizon=last, practice=practice, date=date or _today()
    )
    if out is None:
        from retreat.pages.terminal import render_text

        print(render_text(sheet))
        return
    from retreat.pages.html import render_sheet, write_page

    write_page(render_sheet(sheet), out)
    print(out)


def _from_tables(
    cases: Path | None, key: str | None, visits: Path | None
) -> tuple[dict[str, list[Any]], Columns | None]:
    """Columns of the case, and the visits; both empty where the eye is described by options alone."""
    if cases is None and key is None:
        return {}, None
    if cases is None and visits is not None and key is not None:
        from retreat.cli.seen import seen_of

        return seen_of(visits, key)
    if cases is None or key is None:
        raise click.UsageError("--case and --cases go together")
    import retreat  # reading a table needs pandas

    table = retreat.read_cases(cases)
    return _row_of(table, cases, key), None if visits is None else retreat.read_visits(visits, table)


def _row_of(table: pd.DataFrame, cases: Path, key: str) -> dict[str, list[Any]]:
    from retreat.errors import Fault, TableError

    rows = table[table["case"] == key]
    if rows.empty:
        raise TableError(Fault("--case", f"no case {key} in {cases}", "a key of the column case", value=key))
    row = rows.iloc[0]
    if row["ending"] != "ongoing":
        raise TableError(
            Fault(
                "--case",
                f"case {key} has ended ({row['ending']})",
                "an open case",
                "describe the eye by options",
            )
        )
    return {name: [row[name]] for name in table.columns}


def _check_same(table: dict[str, list[Any]], told: dict[str, list[Any]]) -> None:
    """Refuse an option that says other than the table: one sheet, one source."""
    from retreat.errors import Fault, TableError

    faults = []
    for name, (value,) in told.items():
        known = table.get(name, [None])[0]
        if known is not None and known == known and known != value:
            fix = "correct the table, or describe the eye by options alone"
            faults.append(
                Fault(f"--{name.replace('_', '-')}", f"{value}, but the table says {known}", fix=fix)
            )
    if faults:
        raise TableError(faults)


def _today() -> str:
    from datetime import date

    return date.today().isoformat()
