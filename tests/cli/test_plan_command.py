"""``retreat plan`` as its user calls it: a manager's walk, and what bad input gets."""

from __future__ import annotations

import csv
import io
import json
from datetime import date, timedelta
from pathlib import Path

import openpyxl
import pytest
from outcome import Outcome, Run

from retreat.planning.plan_log import read_plans

CLINIC = ("--sessions-per-day", "6", "--days", "mon,thu")
DEMO = "invented demonstration data"


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text())))


def write_rows(path: Path, rows: list[dict[str, str]]) -> Path:
    with path.open("w", newline="") as stream:
        writer = csv.DictWriter(stream, fieldnames=list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


def refused(answer: Outcome, *words: str, code: int = 1) -> None:
    assert answer.code == code, answer.err
    assert "Traceback" not in answer.err
    said = " ".join(answer.err.split())
    for word in words:
        assert word in said


def test_two_files_and_one_command_give_a_page_and_every_export(
    run: Run, clinic: Path, saved: Path, tmp_path: Path
) -> None:
    page, weeks, book, calendar, log = (
        tmp_path / name for name in ("plan.html", "plan.csv", "plan.xlsx", "plan.ics", "plans.jsonl")
    )
    answer = run(
        "plan", saved, clinic / "cases.csv", "--visits", clinic / "visits.csv", *CLINIC, "--holidays", "GB-ENG",
        "--out", page, "--csv", weeks, "--xlsx", book, "--ics", calendar, "--log", log, "--runs", "10",
        "--what-if", "all", "--practice", "Invented practice",
    )  # fmt: skip
    assert answer.code == 0, answer.err
    assert DEMO in answer.out
    assert "The next 4 weeks need about" in answer.out
    for path in (page, weeks, book, calendar, log):
        assert f"written: {path}" in answer.out
    text = page.read_text()
    assert DEMO in text
    assert "Invented practice" in text
    assert all(DEMO in row["caution"] for row in rows_of(weeks))
    assert DEMO in str(openpyxl.load_workbook(book)["plan"]["A1"].value)
    assert DEMO in calendar.read_bytes().decode().replace("\r\n ", "")
    assert len(read_plans(log)) == 1


def test_a_later_plan_says_how_an_earlier_one_did(
    run: Run, clinic: Path, saved: Path, tmp_path: Path
) -> None:
    cases, visits = rows_of(clinic / "cases.csv"), rows_of(clinic / "visits.csv")
    start = {row["case"]: row["started"] for row in cases}
    day = {
        id(v): date.fromisoformat(start[v["case"]]) + timedelta(days=int(float(v["day"])))
        for v in visits
        if start[v["case"]][:1] == "2"
    }
    last = max(day.values())
    then = last - timedelta(weeks=8)
    seen = [v for v in visits if day[id(v)] <= then]
    done: dict[str, int] = {}
    for v in seen:
        if v["missed"] == "no":
            done[v["case"]] = max(done.get(v["case"], 0), int(v["session"]))
    cut = [
        row if done[row["case"]] == int(row["sessions"])
        else row | {"sessions": str(done[row["case"]]), "ending": "ongoing", "stop_reason": "not_applicable"}
        for row in cases if row["case"] in done
    ]  # fmt: skip
    seen = [v for v in seen if v["case"] in done]
    log = tmp_path / "plans.jsonl"
    first = run(
        "plan", saved, write_rows(tmp_path / "c.csv", cut), "--visits", write_rows(tmp_path / "v.csv", seen),
        "--today", then, "--log", log,
    )  # fmt: skip
    assert first.code == 0, first.err
    assert "No plan of four weeks is past yet." in first.out
    second = run("plan", saved, clinic / "cases.csv", "--visits", clinic / "visits.csv", "--log", log)
    assert second.code == 0, second.err
    assert "Four weeks from" in second.out
    assert "lay in their 80% band" in second.out
    keys = {row["case"] for row in cases} | {row["patient"] for row in cases}
    assert not any(key in log.read_text() for key in keys)


def test_numbers_for_a_program(run: Run, clinic: Path, saved: Path) -> None:
    answer = run(
        "plan",
        saved,
        clinic / "cases.csv",
        "--visits",
        clinic / "visits.csv",
        *CLINIC,
        "--runs",
        "3",
        "--json",
    )
    found = json.loads(answer.out)
    assert [row["weeks"] for row in found["totals"]] == [4, 8, 13]
    assert len(found["weeks"]) == 26
    assert found["weeks"][0]["open"] == 12
    assert all(0 <= row["left"] <= 1 for row in found["weeks"])
    assert all(row["ever_left"] >= row["left"] for row in found["totals"])
    assert DEMO in found["cautions"][0]
    assert found["waits"]["runs"] == 3


def test_without_visits_the_gap_must_be_given_and_is_marked_as_assumed(
    run: Run, clinic: Path, saved: Path
) -> None:
    refused(run("plan", saved, clinic / "cases.csv"), "no visits", "--gap-weeks")
    answer = run("plan", saved, clinic / "cases.csv", "--gap-weeks", "4")
    assert answer.code == 0, answer.err
    assert "the gap of 4 weeks was assumed" in answer.out
    refused(run("plan", saved, clinic / "cases.csv", "--gap-weeks", "0"), "--gap-weeks", "1 to 52")


def test_no_start_in_the_last_quarter_is_told(run: Run, clinic: Path, saved: Path) -> None:
    last = max(row["started"] for row in rows_of(clinic / "cases.csv") if row["started"][:1] == "2")
    later = date.fromisoformat(last) + timedelta(days=200)
    answer = run("plan", saved, clinic / "cases.csv", "--visits", clinic / "visits.csv", "--today", later)
    assert answer.code == 0, answer.err
    assert "no new start in the last 13 weeks" in answer.out


def test_tables_that_end_long_ago_are_told(run: Run, clinic: Path, saved: Path) -> None:
    told = "note: the tables end on"
    assert told in run("plan", saved, clinic / "cases.csv", "--gap-weeks", "4").out
    last = max(row["started"] for row in rows_of(clinic / "cases.csv") if row["started"][:1] == "2")
    assert told not in run("plan", saved, clinic / "cases.csv", "--gap-weeks", "4", "--today", last).out


def test_a_plan_made_again_on_one_day_says_what_became_of_the_log(
    run: Run, clinic: Path, saved: Path, tmp_path: Path
) -> None:
    log = tmp_path / "plans.jsonl"
    told = ("plan", saved, clinic / "cases.csv", "--gap-weeks", "4", "--log", log)
    assert f"written: {log}" in run(*told).out
    assert f"not written, since it holds this very plan: {log}" in run(*told).out
    assert f"in place of the earlier plan of this day and model: {log}" in run(*told, "--seed", "2").out
    assert len(read_plans(log)) == 1


def test_a_day_to_come_is_refused(run: Run, clinic: Path, saved: Path) -> None:
    tomorrow = date.today() + timedelta(days=1)
    answer = run("plan", saved, clinic / "cases.csv", "--gap-weeks", "4", "--today", tomorrow)
    refused(answer, "--today", "still to come")


def test_no_capacity_is_a_shortage_of_every_slot(run: Run, clinic: Path, saved: Path, tmp_path: Path) -> None:
    answer = run(
        "plan", saved, clinic / "cases.csv", "--visits", clinic / "visits.csv", "--sessions-per-day", "0",
        "--days", "mon", "--runs", "10", "--out", tmp_path / "p.html", "--ics", tmp_path / "p.ics",
        "--what-if", "all",
    )  # fmt: skip
    assert answer.code == 0, answer.err
    assert "no slot is ever open" in answer.out
    assert "over 99%" in answer.out
    assert "VEVENT" not in (tmp_path / "p.ics").read_text()


def test_dates_in_the_future_are_refused(run: Run, clinic: Path, saved: Path, tmp_path: Path) -> None:
    cases = rows_of(clinic / "cases.csv")
    cases[0]["started"] = (date.today() + timedelta(days=400)).isoformat()
    future = write_rows(tmp_path / "cases.csv", cases)
    refused(run("plan", saved, future, "--gap-weeks", "4"), "started", "from 1990 to today")
    refused(
        run("plan", saved, clinic / "cases.csv", "--gap-weeks", "4", "--today", "2010-01-01"),
        "after 2010-01-01",
    )


def test_a_month_closed_is_told(run: Run, clinic: Path, saved: Path) -> None:
    first = json.loads(run("plan", saved, clinic / "cases.csv", "--gap-weeks", "4", "--json").out)["start"]
    span = f"{first}..{date.fromisoformat(first) + timedelta(days=27)}"
    answer = run(
        "plan", saved, clinic / "cases.csv", "--gap-weeks", "4", *CLINIC, "--closed", span, "--runs", "3"
    )
    assert answer.code == 0, answer.err
    assert "closed all week in weeks 1, 2, 3, 4" in answer.out


@pytest.mark.parametrize(
    "options",
    [
        ("--days", "mon"),
        ("--machines", "2"),
        ("--what-if", "referrals"),
        ("--ics", "p.ics"),
        ("--sessions-per-day", "6"),
        ("--sessions-per-day", "6", "--days", "moonday,xyz"),
        ("--sessions-per-day", "6", "--days", "mon", "--closed", "Christmas"),
        ("--sessions-per-day", "6", "--days", "mon", "--closed", "2026-02-01..2026-01-01"),
        ("--sessions-per-day", "6", "--days", "mon", "--what-if", "magic"),
        ("--sessions-per-day", "six", "--days", "mon"),
        ("--runs", "-1"),
        ("--sessions-per-day", "6", "--days", "mon", "--what-if", "all", "--runs", "0"),
        ("--sessions-per-day", "6", "--days", "mon", "--what-if", "all", "--runs", "9"),
    ],
)
def test_wrong_usage(run: Run, clinic: Path, saved: Path, options: tuple[str, ...]) -> None:
    refused(run("plan", saved, clinic / "cases.csv", "--gap-weeks", "4", *options), code=2)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--weeks", "3"), "--weeks"),
        (("--today", "Tuesday"), "--today"),
        (("--sessions-per-day", "-1", "--days", "mon"), "--sessions-per-day"),
        (("--sessions-per-day", "5", "--days", "mon", "--holidays", "Atlantis"), "--holidays"),
        (("--sessions-per-day", "5", "--days", "mon", "--machines", "0"), "--machines"),
    ],
)
def test_values_out_of_range_name_their_option(
    run: Run, clinic: Path, saved: Path, options: tuple[str, ...], words: str
) -> None:
    refused(run("plan", saved, clinic / "cases.csv", "--gap-weeks", "4", *options), words)


def test_outputs_never_overwrite_inputs_or_each_other(
    run: Run, clinic: Path, saved: Path, tmp_path: Path
) -> None:
    before = (clinic / "cases.csv").read_bytes()
    refused(
        run("plan", saved, clinic / "cases.csv", "--gap-weeks", "4", "--out", clinic / "cases.csv"), "also"
    )
    same = tmp_path / "one"
    refused(
        run("plan", saved, clinic / "cases.csv", "--gap-weeks", "4", "--out", same, "--csv", same), "also"
    )
    assert (clinic / "cases.csv").read_bytes() == before
    assert not same.exists()


def test_a_damaged_log_is_refused_and_kept(run: Run, clinic: Path, saved: Path, tmp_path: Path) -> None:
    log = tmp_path / "plans.jsonl"
    log.write_text("not a plan\n")
    refused(run("plan", saved, clinic / "cases.csv", "--gap-weeks", "4", "--log", log), "not a logged plan")
    assert log.read_text() == "not a plan\n"


def test_prices_of_the_clinic_make_income_and_packages(
    run: Run, clinic: Path, saved: Path, tmp_path: Path
) -> None:
    prices = tmp_path / "prices.toml"
    prices.write_text(
        'currency = "XYZ"\nsession = 10\nsession_cost = 4\nidle_slot = 1\nmissing_slot = 3\n[packages]\nring = 9\n'
    )
    page = tmp_path / "p.html"
    answer = run(
        "plan",
        saved,
        clinic / "cases.csv",
        "--visits",
        clinic / "visits.csv",
        "--prices",
        prices,
        "--out",
        page,
    )
    assert answer.code == 0, answer.err
    assert "in XYZ" in page.read_text()
    assert "breaks even at" in page.read_text()
    prices.write_text("session = -1\n")
    refused(
        run("plan", saved, clinic / "cases.csv", "--gap-weeks", "4", "--prices", prices), "an amount from 0"
    )
