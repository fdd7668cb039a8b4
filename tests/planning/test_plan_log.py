"""The log of plans, and what it says of earlier ones."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from retreat.errors import TableError
from retreat.planning.held import coverage
from retreat.planning.plan_log import LoggedPlan, append_plan, quantile_of, read_plans, trimmed

MONDAY = date(2026, 1, 5)


def a_plan(
    today: date, mean: float = 6.0, weeks: int = 13, model: str = "abc", room: int | None = None
) -> Any:
    weekly = np.tile(stats.poisson.pmf(np.arange(40), mean), (weeks, 1))
    totals = {4: stats.poisson.pmf(np.arange(120), 4 * mean)}
    start = today + timedelta(days=-today.weekday() % 7)
    slots = None if room is None else np.full(weeks, room)
    demand = SimpleNamespace(weekly=weekly, totals=totals)
    return SimpleNamespace(today=today, start=start, model_id=model, demand=demand, slots=slots)


def tables(per_week: list[int]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Single visits on the Mondays of so many weeks."""
    started = [(MONDAY + timedelta(weeks=w)).isoformat() for w, n in enumerate(per_week) for _ in range(n)]
    keys = [f"k{i}x" for i in range(len(started))]
    cases = pd.DataFrame({"case": keys, "started": started, "sessions": 1, "ending": "relieved"})
    visits = pd.DataFrame({"case": keys, "session": 1, "day": 0.0, "missed": "no"})
    return cases, visits


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    path = tmp_path / "plans.jsonl"
    made = a_plan(date(2026, 1, 2))
    assert append_plan(path, made) == "added"
    (found,) = read_plans(path)
    assert (found.made, found.start, found.model) == (made.today, MONDAY, "abc")
    assert found.month == trimmed(made.demand.totals[4])
    for p in (0.1, 0.5, 0.9):
        assert quantile_of(found.weeks[3], p) == stats.poisson.ppf(p, 6.0)


def test_a_plan_of_the_same_day_and_model_counts_once(tmp_path: Path) -> None:
    path = tmp_path / "plans.jsonl"
    append_plan(path, a_plan(date(2026, 1, 2)))
    assert append_plan(path, a_plan(date(2026, 1, 2))) == "same"
    assert append_plan(path, a_plan(date(2026, 1, 2), model="other")) == "added"
    assert len(read_plans(path)) == 2


def test_a_changed_plan_of_the_same_day_takes_the_place_of_the_earlier(tmp_path: Path) -> None:
    path = tmp_path / "plans.jsonl"
    append_plan(path, a_plan(date(2026, 1, 2)))
    assert append_plan(path, a_plan(date(2026, 1, 2), mean=9.0)) == "replaced"
    (found,) = read_plans(path)
    assert quantile_of(found.weeks[0], 0.5) == stats.poisson.ppf(0.5, 9.0)


def test_a_log_of_the_first_version_is_still_read(tmp_path: Path) -> None:
    path = tmp_path / "plans.jsonl"
    append_plan(path, a_plan(date(2026, 1, 2), room=9))
    (now,) = read_plans(path)
    assert now.open == (9,) * 13
    text = path.read_text().replace('"version": 2', '"version": 1')
    before = json.loads(text)
    del before["open"]
    path.write_text(json.dumps(before) + "\n")
    assert read_plans(path) == (replace(now, open=None),)


def test_weeks_in_which_every_slot_was_used_judge_nothing() -> None:
    """Need is Poisson 6 and 6 slots are open: full weeks are left out, and the others are held to what is left."""
    rng = np.random.default_rng(9)
    cases, visits = tables(np.minimum(rng.poisson(6.0, 600), 6).tolist())
    week = trimmed(stats.poisson.pmf(np.arange(40), 6.0))
    one = LoggedPlan(date(2026, 1, 2), MONDAY, "a", (week,) * 600, trimmed([1.0]), (6,) * 600)
    found = coverage((one,), cases, visits, today=MONDAY + timedelta(weeks=601))
    assert all(week.at_least == (week.actual == 6) for week in found.weeks)
    n = len(found.judged)
    assert n == sum(week.actual < 6 for week in found.weeks)
    share, nominal = found.n_inside / n, found.expected_inside / n
    # P(3 <= N <= 5 | N < 6), N Poisson(6): scipy.stats.poisson
    assert nominal == pytest.approx(
        (stats.poisson.cdf(5, 6) - stats.poisson.cdf(2, 6)) / stats.poisson.cdf(5, 6), abs=1e-4
    )
    assert abs(share - nominal) < 4 * np.sqrt(nominal * (1 - nominal) / n)
    assert "every slot open was used" in " ".join(found.words)


def test_last_month_is_past_on_its_last_friday() -> None:
    """A routine on Fridays must see the four weeks that end with it."""
    cases, visits = tables([6] * 4)
    one = LoggedPlan(date(2026, 1, 2), MONDAY, "a", (trimmed([0, 0, 1.0]),) * 13, trimmed(np.eye(30)[24]))
    friday = MONDAY + timedelta(weeks=3, days=4)
    assert coverage((one,), cases, visits, today=friday).month is not None
    assert coverage((one,), cases, visits, today=friday - timedelta(days=1)).month is None


@pytest.mark.parametrize(
    "line",
    [
        "{",
        "[]",
        '{"format": "retreat-plan"}',
        "null",
        "1e999",
        '{"format": "retreat-forecast", "version": 2}',
    ],
)
def test_a_damaged_line_is_named_and_nothing_is_added(tmp_path: Path, line: str) -> None:
    path = tmp_path / "plans.jsonl"
    append_plan(path, a_plan(date(2026, 1, 2)))
    path.write_text(path.read_text() + line + "\n")
    before = path.read_bytes()
    with pytest.raises(TableError) as refused:
        append_plan(path, a_plan(date(2026, 1, 9)))
    assert [f.row for f in refused.value.faults] == [2]
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"version": 2', '"version": 9'),
        ('"open": null', '"open": [1, 2]'),
        ('"open": null', '"open": [-1, 2, 2, 2, 2, 2, 2, 2, 2, 2, 2, 2, 2]'),
        ('"made": "2026-01-02"', '"made": "yesterday"'),
        ('"start": "2026-01-05"', '"start": "2026-01-06"'),
        ('"model": "abc"', '"model": ""'),
        ('"model": "abc"', '"model": "abc", "case": "k"'),
    ],
)
def test_a_line_of_another_form_is_refused(tmp_path: Path, old: str, new: str) -> None:
    path = tmp_path / "plans.jsonl"
    append_plan(path, a_plan(date(2026, 1, 2)))
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(TableError, match="not a logged plan"):
        read_plans(path)


def test_weeks_are_held_against_the_last_plan_made_before_them() -> None:
    early = LoggedPlan(date(2026, 1, 2), MONDAY, "a", (trimmed([0, 0, 1.0]),) * 13, trimmed(np.eye(9)[8]))
    late = LoggedPlan(
        date(2026, 1, 16),
        MONDAY + timedelta(weeks=2),
        "a",
        (trimmed([0, 0, 0, 0, 1.0]),) * 13,
        trimmed(np.eye(17)[16]),
    )
    cases, visits = tables([2, 2, 4, 3, 9])
    # the fifth week, from 2 February, is whole from its Friday on
    found = coverage((early, late), cases, visits, today=date(2026, 2, 5))
    assert [(one.middle, one.actual, one.inside) for one in found.weeks] == [
        (2, 2, True), (2, 2, True), (4, 4, True), (4, 3, False)
    ]  # fmt: skip
    assert found.month is not None
    assert (found.month.middle, found.month.actual) == (8, 11)
    assert found.n_inside == 3
    assert found.expected_inside == pytest.approx(4.0)


def test_missed_bookings_count_as_used_and_undated_visits_are_told() -> None:
    cases, visits = tables([3])
    visits.loc[0, ["session", "missed"]] = [2, "yes"]
    visits.loc[1, "day"] = np.nan
    one = LoggedPlan(date(2026, 1, 2), MONDAY, "a", (trimmed([0, 0, 1.0]),), trimmed([1.0]))
    found = coverage((one,), cases, visits, today=date(2026, 1, 11))
    assert [week.actual for week in found.weeks] == [2]
    assert found.n_undated == 1
    assert "1 visits bear no day" in found.words[-1]
    # a booking missed before the first session is in no plan
    visits.loc[2, "missed"] = "yes"
    found = coverage((one,), cases, visits, today=date(2026, 1, 11))
    assert [week.actual for week in found.weeks] == [1]


def test_the_band_covers_as_often_as_it_says_where_the_forecast_is_right() -> None:
    # 400 weeks: binomial standard error 0.018; tolerance four of them
    rng = np.random.default_rng(8)
    actual = rng.poisson(6.0, 400).tolist()
    cases, visits = tables(actual)
    one = LoggedPlan(
        date(2026, 1, 2), MONDAY, "a", (trimmed(stats.poisson.pmf(np.arange(40), 6.0)),) * 400, trimmed([1.0])
    )
    found = coverage((one,), cases, visits, today=MONDAY + timedelta(weeks=401))
    share, nominal = found.n_inside / 400, found.expected_inside / 400
    assert nominal > 0.8
    assert abs(share - nominal) < 4 * np.sqrt(nominal * (1 - nominal) / 400)
