"""``retreat log``: one visit more in the clinic's record, or the last one taken back."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from retreat.cli.options import FILE, json_option
from retreat.tables.column import allowed_range
from retreat.tables.schema import CASES, VISITS, find

if TYPE_CHECKING:
    from retreat.record import LoggedVisit

_OUTCOME = ("ending", "stop_reason", "started", "relief_after")
_COLUMNS = (
    *(column for column in VISITS if column.name not in ("case", "missed")),
    *(find(name, CASES) for name in _OUTCOME),
)


def _column_options(command: Callable[..., None]) -> Callable[..., None]:
    """One option a column, each passed on as text or None."""
    for column in reversed(_COLUMNS):
        flag = "--" + column.name.replace("_", "-")
        text = f"{column.meaning} ({allowed_range(column)})"
        command = click.option(flag, column.name, metavar="VALUE", help=text)(command)
    return command


@click.command(
    epilog="Example: retreat log visits.csv --cases cases.csv --case k7f3q9zt --day 45 --pulses 320 "
    "--energy-mj 4.2 --cleared 0.6 --fragments few --bother 3 --event none"
)
@click.argument("visits", type=FILE)
@click.option("--cases", type=FILE, help="Case table, in the same folder; not needed where VISITS is SQLite.")
@click.option("--case", help="Key of an ongoing case.")
@_column_options
@click.option("--missed", is_flag=True, help="Booked, not attended: no session is counted.")
@click.option("--undo", is_flag=True, help="Take back the last visit this command wrote, and nothing else.")
@json_option
def command(
    visits: Path,
    cases: Path | None,
    case: str | None,
    missed: bool,
    undo: bool,
    as_json: bool,
    **values: str | None,
) -> None:
    """Add one visit to the table VISITS (CSV UTF-8 or SQLite), and bring its case up to date.

    Both tables change together or not at all, and only if they then pass the rules of retreat check. The session is
    by default the next, and what is not given is not_recorded. The files as they were are kept with .bak behind their
    names.
    """
    if undo:
        if case is not None or missed or any(value is not None for value in values.values()):
            raise click.UsageError("--undo takes no visit: it takes back the last one")
        from retreat.record import undo as take_back

        _show(take_back(visits), "took back", as_json)
        return
    if case is None:
        raise click.UsageError("--case is needed, or --undo")
    from retreat.record import log_visit

    told: dict[str, Any] = {**values, "missed": "yes" if missed else "no"}
    _show(log_visit(visits, cases, case=case, **told), "logged", as_json)


def _show(logged: LoggedVisit, verb: str, as_json: bool) -> None:
    from retreat.cli.show import show_json

    if as_json:
        from dataclasses import asdict

        show_json({"done": verb.replace(" ", "_"), **asdict(logged)})
        return
    visit = f"missed session {logged.session}" if logged.missed == "yes" else f"session {logged.session}"
    print(f"{verb} {visit} of {logged.case}")
    if verb == "logged":
        sessions = "1 session" if logged.sessions == 1 else f"{logged.sessions} sessions"
        print(f"the case: {sessions} done, {logged.ending}; a slip is taken back with --undo")
