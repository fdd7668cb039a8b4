"""Page of a plan, as a manager would print it, on one or two A4 pages; nothing is computed here."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

from retreat.pages.html import render
from retreat.pages.plan_plots import eyes_figure, weeks_figure
from retreat.pages.report import Figure, Section, Table
from retreat.pages.words import date_words
from retreat.planning.packages import MOST_SESSIONS
from retreat.planning.wording import chance

if TYPE_CHECKING:
    from retreat.planning.held import Coverage
    from retreat.planning.plan import Plan
    from retreat.planning.queue import Waits
    from retreat.planning.what_if import Difference

SHOWN_WEEKS = 13
SHOWN_CASES = 8
# share of courses cut at the last session followed from which the reader is told
_TOLD = 0.005
_CAUTION = (
    "A plan for the diary, not a decision to treat and not a promise. Ranges hold the luck of courses and starts and "
    "the model's doubt; they cover less where the model is wrong or the clinic changes. The list of cases stays in "
    "the clinic."
)
CHANGE_COLUMNS = ("what if", "first wait, days", "waiting at end", "slots idle")
CHANGES_SAID = (
    "Against the plan as it is, under the same chance events; ± is half the 95% interval of the simulation."
)
_WHOM = {"open": "open", "waiting": "to begin", "second_eyes": "second eyes", "new": "new"}
_LEFT_SAID = (
    "Left: chance that work is left waiting at the end of the {}, what earlier weeks left included; what is not done "
    "in its week is done in a later one."
)


def render_plan(
    plan: Plan,
    *,
    coverage: Coverage | None = None,
    waits: Waits | None = None,
    what_ifs: Sequence[Difference] = (),
    practice: str = "",
) -> str:
    """A plan as one self-contained HTML file that prints on one A4 page, with what-ifs and prices on two.

    Parameters
    ----------
    plan : Plan
        From :func:`retreat.plan`.
    coverage : Coverage, optional
        Earlier plans held against what happened.
    waits : Waits, optional
        Waiting times simulated.
    what_ifs : sequence of Difference
        What changes would do.
    practice : str
        Name of the practice.
    """
    return render(
        "plan.html",
        title=f"Session slots from {_day(plan.start)}",
        practice=practice,
        banners=plan.cautions,
        lead=plan.words(),
        sections=[
            _totals(plan),
            _weeks_drawn(plan),
            _weeks(plan),
            _eyes(plan),
            _overdue(plan),
            _bookings(plan),
            _held(coverage),
            *_queue(plan, waits),
            *_changes(what_ifs),
            *_money(plan),
        ],
        notes=plan.notes,
        foot=_foot(plan),
        caution=_CAUTION,
    )


def total_columns(plan: Plan) -> tuple[str, ...]:
    """Names of the columns of :func:`total_rows`."""
    known = ("open", "left, any week", "left at end") if plan.backlog is not None else ()
    return ("weeks", "middle", "80%", "95%", *known)


def total_rows(plan: Plan) -> list[tuple[str, ...]]:
    """Slots needed over the next 4, 8 and 13 weeks, as shown."""
    return [(f"{row['weeks']:.0f}", *_cells(row)) for row in plan.totals().to_dict("records")]


def week_columns(plan: Plan) -> tuple[str, ...]:
    """Names of the columns of :func:`week_rows`."""
    known = ("open", "left") if plan.backlog is not None else ()
    return ("week from", "middle", "80%", "95%", *known)


def week_rows(plan: Plan) -> list[tuple[str, ...]]:
    """Slots needed in each of the first 13 weeks, as shown."""
    rows = plan.table().head(SHOWN_WEEKS).to_dict("records")
    return [(f"{row['week']}: {row['monday']}", *_cells(row)) for row in rows]


def _cells(row: Mapping[Any, Any]) -> tuple[str, ...]:
    cells: tuple[str, ...] = (
        f"{row['middle']:.0f}",
        f"{row['low80']:.0f} to {row['high80']:.0f}",
        f"{row['low95']:.0f} to {row['high95']:.0f}",
    )
    if "left" not in row:
        return cells
    ever = (chance(row["ever_left"]),) if "ever_left" in row else ()
    return (*cells, f"{row['open']:.0f}", *ever, chance(row["left"]))


def _totals(plan: Plan) -> Section:
    table = Table("Slots needed, missed bookings included", total_columns(plan), total_rows(plan))
    meant = "Left: chance that work is left waiting at the end of a week or more, and at the end of the span."
    said = [] if plan.backlog is None else [meant]
    return Section("Next 4, 8 and 13 weeks", said, tables=[table])


def _weeks_drawn(plan: Plan) -> Section:
    shown = plan.table().head(SHOWN_WEEKS)
    against = " against slots open" if plan.slots is not None else ""
    alt = f"Slots needed in each of {len(shown)} weeks with ranges{against}; the table of weeks holds the numbers."
    return Section("Week by week", figures=[Figure(weeks_figure(shown), alt)])


def _weeks(plan: Plan) -> Section:
    more = plan.demand.weeks - SHOWN_WEEKS
    said = [f"Weeks {SHOWN_WEEKS + 1} to {plan.demand.weeks} are in the exported tables."] if more > 0 else []
    if plan.backlog is not None:
        said.insert(0, _LEFT_SAID.format("week"))
    return Section(
        "The same in numbers",
        said,
        tables=[Table("Slots needed by week", week_columns(plan), week_rows(plan))],
    )


def _eyes(plan: Plan) -> Section:
    heading = "Eyes in treatment"
    quiet = (
        f"{plan.n_silent} more open {'case was' if plan.n_silent == 1 else 'cases were'} not booked for more than "
        f"{plan.silent_after} weeks and {'is' if plan.n_silent == 1 else 'are'} not shown."
    )
    more = [quiet] if plan.n_silent else []
    if not plan.eyes:
        return Section(heading, more or ["No case is open."])
    alt = "Eyes in treatment by sessions done; the table holds the numbers."
    done = tuple(str(k) for k in plan.eyes)
    n_open, n_waiting = sum(plan.eyes.values()), plan.eyes.get(0, 0)
    waiting = f", {n_waiting} of them waiting for the first" if n_waiting else ""
    plural = "case" if n_open == 1 else "cases"
    said = [f"{n_open} open {plural} likely to come, by the sessions they have had{waiting}.", *more]
    table = Table("Open cases", ("sessions done", *done, "all"), [("eyes", *plan.eyes.values(), n_open)])
    return Section(heading, said, [Figure(eyes_figure(plan.eyes), alt)], [table])


def _overdue(plan: Plan) -> Section:
    late = plan.overdue
    unknown = []
    if plan.n_not_known:
        unknown = [
            f"Not known for {plan.n_not_known} open cases, whose last booking is in no table of visits."
        ]
    if late.empty:
        nobody = "No open case has waited longer than nine in ten of those who came back."
        return Section("Overdue", unknown or [nobody])
    rules = late.drop_duplicates("missed").sort_values("missed").to_dict("records")
    said = [
        " ".join(
            f"Open, and more than {one['late_after']} calendar weeks without a booking since "
            f"{'one that was missed' if one['missed'] else 'the last session'}; half of those who come back are back "
            f"within {one['usual']}."
            for one in rules
        ),
        *unknown,
    ]
    rows = [
        (row["case"], row["sessions"], row["weeks_since"], chance(row["back"]))
        for row in late.head(SHOWN_CASES).to_dict("records")
    ]
    if len(late) > SHOWN_CASES:
        said.append(
            f"The {SHOWN_CASES} most likely to return of {len(late)}; the exported workbook lists them all."
        )
    columns = ("case", "sessions", "weeks without", "chance to return")
    return Section("Overdue", said, tables=[Table("Cases by key", columns, rows)])


def _bookings(plan: Plan) -> Section:
    found = plan.bookings
    whom = {part: name for part, name in _WHOM.items() if part != "waiting" or found.get(part)}
    counts = (*(found[part] for part in whom), sum(found[part] for part in whom), found["missed"])
    rows = [("bookings", *(f"{count:.1f}" for count in counts))]
    columns = ("for", *whom.values(), "all", "missed of all")
    source = f"learned from {plan.gaps.n_gaps} gaps" if plan.gaps.n_gaps else "assumed"
    said = [
        f"{100 * plan.gaps.missed:.0f}% of bookings for a later session are missed and use their slot; "
        f"{100 * plan.gaps.returning:.0f}% of those in treatment come back at all ({source}). First sessions are "
        "counted by those that take place."
    ]
    return Section("Bookings to make", said, tables=[Table("Mean of the next 4 weeks", columns, rows)])


def _held(coverage: Coverage | None) -> Section:
    heading = "Last forecast and what happened"
    if coverage is None:
        return Section(
            heading, ["Given a log of plans and the visits, earlier plans are held against them here."]
        )
    if not coverage.weeks:
        later = "With the same log, later pages hold this plan against what happened."
        return Section(heading, [*coverage.words, later])
    rows = [
        (
            one.start.isoformat(),
            one.middle,
            f"{one.low} to {one.high}",
            f"at least {one.actual}" if one.at_least else f"{one.actual}",
            one.verdict,
        )
        for one in coverage.weeks[-4:]
    ]
    table = Table("The last weeks", ("week from", "forecast", "80%", "needed", "the band"), rows)
    return Section(heading, coverage.words, tables=[table])


def lower_bound(plan: Plan) -> str | None:
    """What full weeks of the past make of the waits; None where they do not."""
    if plan.full_weeks is None or not plan.full_weeks.bound:
        return None
    return "Waits are lower bounds: past weeks were full, and the gaps learned from them already hold waits for a slot."


def _queue(plan: Plan, waits: Waits | None) -> list[Section]:
    if waits is None:
        return []
    rows = [(name, *cells) for name, *cells in waits.rows()]
    said = [waits.sentence, *filter(None, [lower_bound(plan)])]
    return [
        Section(
            "Waiting", said, tables=[Table("Days, simulated", ("wait to", "mean", "9 in 10 within"), rows)]
        )
    ]


def _changes(what_ifs: Sequence[Difference]) -> list[Section]:
    if not what_ifs:
        return []
    rows = [one.row() for one in what_ifs]
    return [Section("What if", [CHANGES_SAID], tables=[Table("Mean differences", CHANGE_COLUMNS, rows)])]


def _money(plan: Plan) -> list[Section]:
    if plan.money is None:
        return []
    prices = plan.money.prices
    said = [f"By the clinic's own prices{f', in {prices.currency}' if prices.currency else ''}."]
    if plan.money.income:
        mean, low, _, high = (sum(week[i] for week in plan.money.income[:4]) / 4 for i in range(4))
        said.append(
            f"Income a week over the next 4: mean {mean:,.0f}; a single week mostly {low:,.0f} to {high:,.0f}."
        )
    columns = ["case type", "sessions", "80%"]
    priced = prices.session_cost is not None
    columns += ["breaks even at", "package", "chance of loss"] if priced else []
    rows = []
    for one in plan.money.courses:
        cells = [one.kind, f"{one.mean:.1f}", f"{one.low} to {one.high}"]
        if priced:
            cells += ["" if value is None else f"{value:,.0f}" for value in (one.break_even, one.package)]
            cells.append("" if one.loss is None else chance(one.loss))
        rows.append(cells)
    together = "each eye for itself" if prices.eyes == 1 else f"{prices.eyes} eyes together"
    past = [f"{one.kind} {100 * one.beyond:.1f}%" for one in plan.money.courses if one.beyond >= _TOLD]
    if past:
        said.append(
            f"Courses past {MOST_SESSIONS} sessions count as {MOST_SESSIONS}, so means are too low: {', '.join(past)}."
        )
    if priced:
        said.append(f"Breaks even with {100 * prices.confidence:.0f}% confidence, {together}.")
    return [Section("Money", said, tables=[Table("A course by case type", columns, rows)])]


def _foot(plan: Plan) -> str:
    standing = plan.standing or "not yet on patients it had not seen"
    return (
        f"Made {_day(plan.today)} by model {plan.model_id}, validated: {standing}. retreat {plan.retreat_version}. "
        f"{plan.demand.n_open} open cases with a chance to return are in the numbers."
    )


def _day(day: date) -> str:
    return date_words(day.year, day.month, day.day)
