"""The plan of the demonstration: the invented clinic's next quarter against an invented timetable and prices."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import Model
    from retreat.pages.report import Link

PAGE = "plan.html"
# slots a day of the invented timetable, Monday and Thursday: about enough in nine weeks of ten
_SLOTS = {"small": 1, "established": 3, "registry": 20}
_USUAL = 3
_DAYS = (0, 3)
# months back, of four weeks, in which the clinic is made to have planned as well
_MONTHS_BACK = (3, 2, 1)
_RUNS = 20
# the invented clinic takes those not yet begun out of the starts of its last two months, where no real one would
_INVENTED_WAIT = (
    "the cases not begun of the invented clinic are missing among its starts of the last two months, so that plans of "
    "earlier months lie too high"
)
_PRICES = """\
# Invented prices of the demonstration, in no currency. Write your own clinic's, and give the file to
# retreat plan --prices. Nothing here says what a treatment should cost a patient.
currency = "invented money"
session = 300        # paid for an attended session
session_cost = 180   # what a session costs the clinic
idle_slot = 60       # a slot opened and not needed
missing_slot = 150   # a slot needed and not open
[packages]           # price of a whole course, by kind of opacity
ring = 500
any = 700
"""


def write_plan(
    model: Model, cases: pd.DataFrame, visits: pd.DataFrame, out: Path, *, scenario: str, seed: int
) -> str:
    """Write the page, its exports, the prices and a log with plans of earlier months; hands back the headline.

    Parameters
    ----------
    model : Model
        The model of the demonstration.
    cases, visits : DataFrame
        The invented clinic's sound tables.
    out : Path
        Folder to write into.
    scenario : str
        Of the invented clinic; it sets the size of the timetable.
    seed : int
        Seed of everything random.
    """
    from retreat.cli.plan import held_against, simulated, write_files
    from retreat.planning.capacity import Clinic
    from retreat.planning.dates import last_seen
    from retreat.planning.money import read_prices
    from retreat.planning.plan import plan_of_sound
    from retreat.planning.plan_log import append_plan
    from retreat.planning.what_if import SCENARIOS
    from retreat.tables import write_atomically

    prices, log = out / "prices.toml", out / "plans.jsonl"
    write_atomically(prices, _PRICES)
    clinic = Clinic(_SLOTS.get(scenario, _USUAL), _DAYS)
    # given, so that the page does not wonder at invented tables that end long ago
    today = last_seen(cases, visits)
    plan = plan_of_sound(
        model, cases, visits, clinic=clinic, today=today, prices=read_prices(prices), seed=seed
    )
    for months in _MONTHS_BACK:
        day = plan.today - timedelta(weeks=4 * months)
        append_plan(log, plan_of_sound(model, *as_known(cases, visits, day), today=day, seed=seed))
    plan = replace(plan, notes=(*plan.notes, _INVENTED_WAIT))
    held = held_against(log, plan, cases, visits)
    waits, changes = simulated(plan, model, cases, visits, clinic, SCENARIOS, _RUNS, seed)
    write_files(
        plan,
        out=out / PAGE,
        csv=out / "plan.csv",
        xlsx=out / "plan.xlsx",
        ics=out / "plan.ics",
        held=held,
        waits=waits,
        changes=changes,
        practice="an invented clinic with an invented timetable",
    )
    append_plan(log, plan)
    return plan.words()[0]


def as_known(cases: pd.DataFrame, visits: pd.DataFrame, day: date) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The tables as they stood at the end of a day: later starts and visits gone, later ends not yet known.

    Parameters
    ----------
    cases, visits : DataFrame
        Sound tables.
    day : date
        The last day known.
    """
    from retreat.planning.dates import NO_DATE, day_number, start_days, visit_days

    started, on = start_days(cases), visit_days(cases, visits)
    last = day_number(day)
    seen = visits[(on != NO_DATE) & (on <= last)].reset_index(drop=True)
    begun = cases[(started != NO_DATE) & (started <= last)].reset_index(drop=True)
    attended = seen[(seen["missed"] != "yes").to_numpy()].groupby("case")["session"].max()
    # the day a case starts is that of its first session, whether or not the visit was written down
    so_far = begun["case"].map(attended).fillna(1).astype("int64")
    is_over = so_far == begun["sessions"]
    known = begun.assign(
        sessions=so_far,
        ending=begun["ending"].where(is_over, "ongoing"),
        stop_reason=begun["stop_reason"].where(is_over, "not_applicable"),
    )
    return known, seen


def links() -> list[Link]:
    """What :func:`write_plan` writes, each with a sentence for the index."""
    from retreat.pages.report import Link

    return [
        Link(
            PAGE,
            "plan",
            "Session slots needed in the weeks ahead against an invented timetable (Monday and Thursday), with "
            "invented prices: work left waiting, overdue, bookings, waiting, what if. Earlier months were planned too, "
            "by the same model, and are held against what happened.",
        ),
        Link("plan.csv", "weeks of the plan", "One row a week, for a spreadsheet."),
        Link("plan.xlsx", "workbook of the plan", "The plan, its weeks and the whole list of the overdue."),
        Link("plan.ics", "calendar of the plan", "Proposed blocks, for a calendar program."),
        Link(
            "plans.jsonl",
            "log of plans",
            "What retreat plan --log keeps, to hold plans against what happened.",
        ),
        Link(
            "prices.toml",
            "prices",
            "Invented; the form in which a clinic gives its own to retreat plan --prices.",
        ),
    ]
