"""The plan of the demonstration: tables cut back to an earlier day, and what is written."""

from __future__ import annotations

import re
from datetime import date, timedelta
from pathlib import Path

import pandas as pd

import retreat
from retreat.cli.demo_plan import as_known, write_plan
from retreat.model.card import INVENTED
from retreat.planning.plan_log import read_plans

CASES = pd.DataFrame(
    {
        "case": ["a", "b", "c", "d"],
        "started": ["2026-01-05", "2026-01-05", "2026-03-02", "not_applicable"],
        "sessions": [3, 1, 1, 0],
        "ending": ["relieved", "stopped", "relieved", "ongoing"],
        "stop_reason": ["not_applicable", "choice", "not_applicable", "not_applicable"],
    }
)
VISITS = pd.DataFrame(
    {
        "case": ["a", "a", "a", "a", "b", "c"],
        "session": [1, 2, 2, 3, 1, 1],
        "day": [0.0, 14.0, 21.0, 60.0, 0.0, 0.0],
        "missed": ["no", "yes", "no", "no", "no", "no"],
    }
)


def test_tables_of_an_earlier_day_know_nothing_later() -> None:
    cases, visits = as_known(CASES, VISITS, date(2026, 2, 1))
    # by 1 February a has had two sessions of three, b has ended, c and d have not begun
    assert cases[["case", "sessions", "ending", "stop_reason"]].to_numpy().tolist() == [
        ["a", 2, "ongoing", "not_applicable"],
        ["b", 1, "stopped", "choice"],
    ]
    assert visits[["case", "day"]].to_numpy().tolist() == [["a", 0], ["a", 14], ["a", 21], ["b", 0]]


def test_a_missed_visit_is_no_session() -> None:
    cases, _ = as_known(CASES, VISITS, date(2026, 1, 20))
    assert cases.set_index("case").loc["a", "sessions"] == 1


def test_the_plan_is_written_with_its_exports_and_earlier_months(
    clinic: Path, saved: Path, tmp_path: Path
) -> None:
    cases = retreat.read_cases(clinic / "cases.csv")
    visits = retreat.read_visits(clinic / "visits.csv", cases)
    line = write_plan(retreat.load(saved), cases, visits, tmp_path, scenario="small", seed=1)
    assert line.startswith("The next 4 weeks need about")
    logged = read_plans(tmp_path / "plans.jsonl")
    assert [(logged[-1].made - one.made) // timedelta(weeks=4) for one in logged] == [3, 2, 1, 0]
    page = (tmp_path / "plan.html").read_text()
    for told in (INVENTED, "invented timetable", "in invented money", "Four weeks from"):
        assert told in page
    # the plans of three months ago and later cover twelve weeks, of which the last may not be over
    assert re.search(r"of the last 1[12] weeks lay in their 80% band", page)
    names = {path.name for path in tmp_path.iterdir()}
    assert names == {"plan.html", "plan.csv", "plan.xlsx", "plan.ics", "plans.jsonl", "prices.toml"}
    assert "Invented prices" in (tmp_path / "prices.toml").read_text()
