"""The page of a plan: read first what must be, every figure with its table, nothing to fetch or run."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from parsed import Page
from scipy import stats

from retreat.model.card import INVENTED
from retreat.pages.plan import render_plan, total_rows, week_rows
from retreat.planning.arrivals import Arrivals
from retreat.planning.backlog import carried
from retreat.planning.capacity import Clinic, slots_open
from retreat.planning.demand import Demand
from retreat.planning.full_weeks import FullWeeks
from retreat.planning.gaps import assumed_gaps
from retreat.planning.held import Coverage, Held
from retreat.planning.money import CourseRow, Money, Prices
from retreat.planning.plan import Plan
from retreat.planning.what_if import Difference, Effect

START = date(2026, 1, 5)
LATE = pd.DataFrame(
    {
        "case": [f"k{i}t" for i in range(9)],
        "sessions": 1,
        "weeks_since": range(7, 16),
        "missed": [True] + [False] * 8,
        "usual": 4,
        "late_after": 6,
        "back": 0.2,
    }
)


def a_plan(clinic: Clinic | None = None, **changes: Any) -> Plan:
    """Plan by hand: invented numbers, no model and no clinic behind them."""
    n = np.arange(60)
    weekly = stats.poisson.pmf(n[None, :40], np.linspace(6, 9, 26)[:, None])
    totals = {k: stats.poisson.pmf(np.arange(200), 7.0 * k) for k in (4, 8, 13)}
    parts = {"open": np.full(26, 3.0), "second_eyes": np.full(26, 0.5), "new": np.full(26, 3.5)}
    slots = None if clinic is None else slots_open(clinic, START, 26)
    need = np.random.default_rng(1).poisson(np.linspace(6, 9, 26), (400, 26))
    told = {
        "model_id": "abc123",
        "today": START,
        "start": START,
        "demand": Demand(START, weekly, totals, parts, 12),
        "gaps": assumed_gaps(4.0, missed=0.1),
        "arrivals": Arrivals.none(26),
        "eyes": {0: 2, 1: 7, 2: 3},
        "overdue": LATE,
        "clinic": clinic,
        "slots": slots,
        "backlog": None if slots is None else carried(need, slots),
        "notes": ("the gap of 4 weeks was assumed, not learned from visits",),
        "cautions": (INVENTED,),
    }
    return Plan(**(told | changes))


@pytest.fixture(params=["bare", "clinic", "everything"])
def page(request: pytest.FixtureRequest) -> str:
    if request.param == "bare":
        return render_plan(a_plan())
    if request.param == "clinic":
        return render_plan(a_plan(Clinic(6, (0, 3))), practice="Invented practice")
    held = Held(START, START, 3, 6, 9, 11, 0.84)
    effect = Effect(1.5, 1.0, 2.0, 0.0, 3.0)
    nothing = Effect(*(float("nan"),) * 5)
    course = CourseRow("ring", 40, 1.6, 1, 1, 3, 0.01, 12.0, 13.0, 0.07)
    money = Money(Prices("XYZ", 10, 8), ((60.0, 40.0, 60.0, 80.0),) * 26, (course,), 9)
    waits = SimpleNamespace(
        sentence="After 26 weeks 0 to 2 cases wait.", rows=lambda: [("first session", "1.0", "3.0")]
    )
    return render_plan(
        a_plan(Clinic(6, (0, 3)), money=money),
        coverage=Coverage((held,), held, 0),
        waits=waits,  # type: ignore[arg-type]
        what_ifs=[Difference("referrals", "a fifth more new cases", effect, effect, nothing)],
    )


def test_what_must_be_read_first_stands_first(page: str) -> None:
    assert INVENTED in page[page.index("<body>") : page.index("<h1>")]
    assert "not a decision to treat and not a promise" in page


def test_the_page_runs_and_fetches_nothing(page: str) -> None:
    parsed = Page(page)
    assert not parsed.all("script")
    assert not parsed.all("link")
    assert all(str(image["src"]).startswith("data:image/svg+xml;base64,") for image in parsed.all("img"))
    assert "http" not in page.replace("http://www.w3.org", "")


def test_every_figure_says_what_it_shows_and_has_a_table_of_its_numbers(page: str) -> None:
    parsed = Page(page)
    figures = parsed.all("img")
    assert len(figures) == 2
    assert all(len(str(image["alt"])) > 20 and "table" in str(image["alt"]) for image in figures)
    assert len(parsed.all("table")) >= 4
    assert len(parsed.all("th")) > 20
    assert {th.get("scope") for th in parsed.all("th")} == {"col", "row"}


def test_the_tables_hold_the_numbers_of_the_plan() -> None:
    made = a_plan(Clinic(6, (0, 3)))
    cells = Page(render_plan(made)).words("td")
    for row in (*total_rows(made), *week_rows(made)):
        for cell in row[1:]:
            assert cell in cells
    # scipy.stats.poisson: the 4 weeks need Poisson(28) slots
    assert total_rows(made)[0][1:4] == tuple(
        [f"{stats.poisson.ppf(0.5, 28):.0f}"]
        + [f"{stats.poisson.ppf(p, 28):.0f} to {stats.poisson.ppf(1 - p, 28):.0f}" for p in (0.1, 0.025)]
    )


def test_without_a_clinic_no_shortage_is_claimed() -> None:
    bare = render_plan(a_plan())
    assert "nothing is said of work left waiting" in bare
    assert '<th scope="col">left</th>' not in bare


def test_no_chance_is_called_sure() -> None:
    nothing_open = render_plan(a_plan(Clinic(0, (0,))))
    cells = Page(nothing_open).words("td")
    assert "over 99%" in cells
    assert not {"100%", "0%"} & set(cells)


def test_a_long_list_of_the_overdue_is_cut_and_counted() -> None:
    text = render_plan(a_plan())
    assert "The 8 most likely to return of 9" in text
    assert "k7t" in text
    assert "k8t" not in text


def test_the_eyes_in_treatment_are_told_apart_from_those_silent_and_waiting() -> None:
    text = render_plan(a_plan(n_silent=5, silent_after=9))
    assert (
        "12 open cases likely to come, by the sessions they have had, 2 of them waiting for the first."
        in text
    )
    assert "5 more open cases were not booked for more than 9 weeks and are not shown." in text
    assert "12 open cases with a chance to return are in the numbers." in text
    assert "not shown" not in render_plan(a_plan())


def test_cases_whose_last_day_is_not_known_are_not_called_in_time() -> None:
    text = render_plan(a_plan(overdue=LATE.head(0), n_not_known=4))
    assert "Not known for 4 open cases" in text
    assert "No open case has waited longer" not in text


def test_a_week_in_which_every_slot_was_used_is_no_verdict() -> None:
    full = Held(START, START, 3, 6, 9, 6, 0.84, at_least=True)
    text = render_plan(a_plan(), coverage=Coverage((full,), full, 0))
    assert "at least 6" in text
    assert "not known" in text
    assert "lay in" not in text


def test_waits_are_called_lower_bounds_where_past_weeks_were_full() -> None:
    waits = SimpleNamespace(sentence="Some wait.", rows=lambda: [("first session", "1.0", "3.0")])
    for full, said in ((9, True), (2, False)):
        plan = a_plan(Clinic(6, (0, 3)), full_weeks=FullWeeks(full, 13))
        assert ("Waits are lower bounds" in render_plan(plan, waits=waits)) == said  # type: ignore[arg-type]


def test_courses_cut_at_the_last_session_followed_are_told() -> None:
    course = CourseRow("cloud", 40, 6.0, 1, 4, 20, 0.13, 12.0, 13.0, 0.07)
    text = render_plan(a_plan(money=Money(Prices("XYZ", 10, 8), None, (course,), None)))
    assert "so means are too low: cloud 13.0%" in text


def test_a_log_without_a_past_plan_says_what_it_is_for() -> None:
    text = render_plan(a_plan(), coverage=Coverage((), None, 0))
    assert "No plan of four weeks is past yet." in text
    assert "later pages hold this plan against what happened" in text


def test_nobody_open_and_nobody_late() -> None:
    text = render_plan(a_plan(eyes={}, overdue=LATE.head(0)))
    assert "No case is open." in text
    assert len(Page(text).all("img")) == 1


def test_the_same_plan_gives_the_same_bytes() -> None:
    assert render_plan(a_plan()) == render_plan(a_plan())


def test_markup_in_a_name_is_text() -> None:
    assert "<b>" not in render_plan(a_plan(), practice="<b>x</b>")
