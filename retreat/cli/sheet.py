"""``retreat sheet``: one counselling sheet from a saved model; numpy and jinja2 are all it loads."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from retreat.cli.options import one_case, with_case_options

EXAMPLE = (
    "Example: retreat sheet clinic.retreat --opacity ring --size-mm 2 --zone middle "
    "--cornea none --lens natural --out sheet.html"
)


@with_case_options
def command(
    model: Annotated[Path, typer.Argument(help="Saved model.", show_default=False)],
    values: dict[str, str],
    out: Annotated[Path | None, typer.Option(help="HTML file to write; else printed as text.")] = None,
    case: Annotated[str | None, typer.Option(help="Key of a case in --cases.")] = None,
    cases: Annotated[Path | None, typer.Option(help="Case table to take --case from.")] = None,
    practice: Annotated[str, typer.Option(help="Name of the practice on the sheet.")] = "",
    horizon: Annotated[int, typer.Option(help="Last session shown.")] = 5,
    date: Annotated[str | None, typer.Option(help="Date of the sheet, ISO; default today.")] = None,
) -> None:
    """Write the counselling sheet of one case, described by options or taken from a table."""
    from retreat.model import load
    from retreat.pages.sheet import build_sheet

    fitted = load(model)
    columns = _from_table(cases, case) if cases is not None or case is not None else {}
    columns = {**columns, **one_case(values)}
    done = int(columns.pop("sessions", [0])[0])
    sheet = build_sheet(fitted, columns, done=done, horizon=horizon, practice=practice, date=date or _today())
    if out is None:
        from retreat.pages.terminal import render_text

        print(render_text(sheet))
        return
    from retreat.pages.html import render_sheet, write_page

    write_page(render_sheet(sheet), out)
    print(out)


def _from_table(cases: Path | None, key: str | None) -> dict[str, list[Any]]:
    from retreat.errors import Fault, TableError

    if cases is None or key is None:
        raise typer.BadParameter("--case and --cases go together")
    import retreat  # reading a table needs pandas

    table = retreat.read_cases(cases)
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


def _today() -> str:
    from datetime import date

    return date.today().isoformat()
