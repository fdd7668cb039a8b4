"""``retreat plan``: session slots a clinic needs in the weeks ahead, against those it opens."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from retreat.cli.options import FILE, json_option, seed_option

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import Model
    from retreat.planning.capacity import Clinic
    from retreat.planning.held import Coverage
    from retreat.planning.plan import Plan
    from retreat.planning.queue import Waits
    from retreat.planning.what_if import Difference

_OF_A_CLINIC = (
    "days",
    "half_days",
    "closed",
    "country",
    "machines",
    "min_gap_weeks",
    "both_eyes_same_day",
    "what_if",
)
_KEPT = {
    "added": "written",
    "replaced": "written, in place of the earlier plan of this day and model",
    "same": "not written, since it holds this very plan",
}
_MOST_RUNS = 1000


@click.command(
    epilog="Example: retreat plan clinic.retreat cases.csv --visits visits.csv --sessions-per-day 6 --days mon,thu "
    "--log plans.jsonl --out plan.html"
)
@click.argument("model", type=FILE)
@click.argument("cases", type=FILE)
@click.option(
    "--visits",
    type=FILE,
    help="Visit table: gaps between sessions and missed bookings are learned from it; default the one in the "
    "SQLite file of CASES.",
)
@click.option("--gap-weeks", type=float, help="Weeks between sessions, assumed instead of learned.")
@click.option("--weeks", default=26, show_default=True, help="Weeks ahead, 13 to 52.")
@click.option(
    "--today",
    help="Day of the plan, ISO; default the last day in the tables. Week 1 is the week after.",
)
@click.option("--sessions-per-day", type=int, help="Slots on a clinic day on one laser.")
@click.option("--days", help="Days of treatment, such as mon,thu.")
@click.option("--half-days", help="Days with half the slots, such as fri.")
@click.option(
    "--closed",
    multiple=True,
    help="Closed day or span, such as 2026-12-24 or 2026-12-24..2027-01-02. May be repeated.",
)
@click.option("--holidays", "country", help="Keep the public holidays of a country, such as GB-ENG or DE-BY.")
@click.option("--machines", type=int, help="Lasers at work side by side.  [default: 1]")
@click.option(
    "--min-gap-weeks",
    type=int,
    help="Least calendar weeks between two sessions of an eye.",
)
@click.option("--both-eyes-same-day", is_flag=True, help="Two open eyes of a patient are treated on one day.")
@click.option(
    "--what-if",
    multiple=True,
    help="half_day, closed_fortnight, referrals, second_operator, triage, or all. May be repeated.",
)
@click.option(
    "--runs", default=40, show_default=True, help="Simulated clinics behind the waiting times; 0 for none."
)
@click.option("--prices", type=FILE, help="The clinic's own prices and costs, TOML.")
@click.option(
    "--log", type=FILE, help="Log of plans: earlier ones are held against the visits, this one is added."
)
@click.option("--practice", default="", help="Name of the practice on the page.")
@click.option("--out", type=FILE, help="HTML page to write; it prints on one or two sheets of paper.")
@click.option("--csv", type=FILE, help="Weeks as CSV.")
@click.option("--xlsx", type=FILE, help="The plan as a workbook.")
@click.option("--ics", type=FILE, help="Proposed blocks as a calendar.")
@seed_option
@json_option
def command(
    model: Path,
    cases: Path,
    visits: Path | None,
    gap_weeks: float | None,
    weeks: int,
    today: str | None,
    sessions_per_day: int | None,
    days: str | None,
    half_days: str | None,
    closed: tuple[str, ...],
    country: str | None,
    machines: int | None,
    min_gap_weeks: int | None,
    both_eyes_same_day: bool,
    what_if: tuple[str, ...],
    runs: int,
    prices: Path | None,
    log: Path | None,
    practice: str,
    out: Path | None,
    csv: Path | None,
    xlsx: Path | None,
    ics: Path | None,
    seed: int,
    as_json: bool,
) -> None:
    """Plan session slots from a saved MODEL and the clinic's CASES: needed, open, overdue, to book.

    With --sessions-per-day and --days the plan is held against what the clinic opens, and waiting is simulated.
    """
    import retreat
    from retreat.cli.beside import visits_of
    from retreat.cli.folders import apart
    from retreat.cli.plan_clinic import clinic_of
    from retreat.cli.progress import working
    from retreat.cli.show import show_json
    from retreat.planning.plan import plan_of_sound

    told = dict(
        zip(
            _OF_A_CLINIC,
            (days, half_days, closed, country, machines, min_gap_weeks, both_eyes_same_day, what_if),
            strict=True,
        )
    )
    if sessions_per_day is None and any(told.values()):
        raise click.UsageError("options of the clinic need --sessions-per-day")
    if sessions_per_day is not None and not (days or half_days):
        raise click.UsageError("--sessions-per-day needs --days, such as --days mon,thu")
    if ics is not None and sessions_per_day is None:
        raise click.UsageError("--ics needs --sessions-per-day and --days")
    if not 0 <= runs <= _MOST_RUNS:
        raise click.UsageError(f"--runs {runs}: give 0 to {_MOST_RUNS}")
    names = _scenarios(what_if)
    _check_runs(names, runs)
    inputs = [path for path in (model, cases, visits, prices) if path is not None]
    written = [path for path in (out, csv, xlsx, ics, log) if path is not None]
    for place, path in enumerate(written):
        apart(path, *inputs, *written[:place])
    clinic = None
    if sessions_per_day is not None:
        clinic = clinic_of(
            sessions_per_day, days, half_days, closed, country, machines, min_gap_weeks, both_eyes_same_day
        )
    fitted = retreat.load(model)
    table = retreat.read_cases(cases)
    beside = visits_of(cases, visits)
    seen = None if beside is None else retreat.read_visits(beside, table)
    paid = None
    if prices is not None:
        from retreat.planning.money import read_prices

        paid = read_prices(prices)
    with working("planning"):
        made = plan_of_sound(
            fitted,
            table,
            seen,
            weeks=weeks,
            clinic=clinic,
            gap_weeks=gap_weeks,
            today=today,
            prices=paid,
            seed=seed,
        )
        held = None if log is None else held_against(log, made, table, seen)
        waits, changes = simulated(made, fitted, table, seen, clinic, names, runs, seed)
    write_files(
        made, out=out, csv=csv, xlsx=xlsx, ics=ics, held=held, waits=waits, changes=changes, practice=practice
    )
    kept = "added"
    if log is not None:
        from retreat.planning.plan_log import append_plan

        kept = append_plan(log, made)
    if as_json:
        show_json(
            made.to_json()
            | {
                "held": None if held is None else held.to_json(),
                "waits": None if waits is None else waits.to_json(),
                "what_if": [one.to_json() for one in changes],
            }
        )
        return
    _print(made, held, waits, changes)
    for path in written:
        print(f"{'written' if path != log else _KEPT[kept]}: {path}")


def held_against(log: Path, plan: Plan, cases: pd.DataFrame, visits: pd.DataFrame | None) -> Coverage | None:
    """Earlier plans of a log against the visits; None without visits."""
    from retreat.planning.held import coverage
    from retreat.planning.plan_log import read_plans

    plans = read_plans(log) if log.exists() else ()
    return None if visits is None else coverage(plans, cases, visits, today=plan.today)


def simulated(
    plan: Plan,
    model: Model,
    cases: pd.DataFrame,
    visits: pd.DataFrame | None,
    clinic: Clinic | None,
    names: tuple[str, ...],
    runs: int,
    seed: int,
) -> tuple[Waits | None, tuple[Difference, ...]]:
    """Waiting in simulated clinics, and what changes would do to it; nothing without a clinic or runs."""
    if clinic is None or not runs:
        return None, ()
    from retreat.planning.queue import simulate
    from retreat.planning.what_if import what_if

    courses = plan.courses(model, cases, visits, runs=runs, seed=seed)
    waits = simulate(courses, clinic)
    return waits, what_if(courses, clinic, names, now=waits)


def _scenarios(names: tuple[str, ...]) -> tuple[str, ...]:
    from retreat.cli.meant import did_you_mean
    from retreat.planning.what_if import SCENARIOS

    every = SCENARIOS if "all" in names else tuple(dict.fromkeys(names))
    for name in every:
        if name not in SCENARIOS:
            meant = did_you_mean(name, (*SCENARIOS, "all"))
            raise click.UsageError(
                f"--what-if {name}: give {', '.join(SCENARIOS)}, or all; {meant}".rstrip("; ")
            )
    return every


def _check_runs(names: tuple[str, ...], runs: int) -> None:
    from retreat.planning.what_if import LEAST_RUNS

    if names and runs < LEAST_RUNS:
        raise click.UsageError(f"--what-if needs --runs of at least {LEAST_RUNS} to compare, not {runs}")


def write_files(
    plan: Plan,
    *,
    out: Path | None,
    csv: Path | None,
    xlsx: Path | None,
    ics: Path | None,
    held: Coverage | None,
    waits: Waits | None,
    changes: tuple[Difference, ...],
    practice: str,
) -> None:
    """Write a plan as a page, as tables and as a calendar, each where a file was named."""
    from retreat.tables import write_atomically

    if out is not None:
        from retreat.pages.html import write_page
        from retreat.pages.plan import render_plan

        page = render_plan(plan, coverage=held, waits=waits, what_ifs=changes, practice=practice)
        write_page(page, out)
    if csv is not None:
        from retreat.planning.exports import to_csv

        write_atomically(csv, to_csv(plan))
    if xlsx is not None:
        from retreat.planning.exports import to_workbook

        write_atomically(xlsx, to_workbook(plan))
    if ics is not None:
        from retreat.planning.exports import to_calendar

        write_atomically(ics, to_calendar(plan, practice=practice).encode("utf-8"))


def _print(plan: Plan, held: Coverage | None, waits: Waits | None, changes: tuple[Difference, ...]) -> None:
    from retreat.cli.show import show_table
    from retreat.pages.plan import CHANGE_COLUMNS, CHANGES_SAID, lower_bound, total_columns, total_rows

    for line in plan.cautions:
        print(line)
    print(f"Plan from {plan.start.isoformat()} (made {plan.today.isoformat()})")
    show_table(total_columns(plan), total_rows(plan))
    for line in plan.words():
        print(line)
    if waits is not None:
        show_table(("wait to, days", "mean", "9 in 10 within"), waits.rows())
        print(waits.sentence)
        if (bound := lower_bound(plan)) is not None:
            print(bound)
    if changes:
        show_table(CHANGE_COLUMNS, [one.row() for one in changes])
        print(CHANGES_SAID)
    for line in held.words if held else ():
        print(line)
    for note in plan.notes:
        print(f"note: {note}")
