"""``--visits`` of fit, forecast and sheet: what it changes, and what it refuses."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from made_progress import made_progress
from outcome import Run

import retreat

RING = ("--opacity", "ring", "--size-mm", "2", "--zone", "middle", "--cornea", "none")
DATE = ("--date", "2026-01-31")
Row = dict[str, str]


@pytest.fixture(scope="module")
def seeing(saved: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The clinic's model, with a state model made by hand."""
    model = retreat.load(saved)
    part = made_progress(len(model.coding.names), model.parameters.n_draws)
    return replace(model, history=part).save(tmp_path_factory.mktemp("seeing") / "seeing.retreat")


@pytest.fixture(scope="module")
def eye(clinic: Path) -> str:
    """Key of an open case after two graded sessions."""
    cases, visits = retreat.read_cases(clinic / "cases.csv"), retreat.read_visits(clinic / "visits.csv")
    graded = visits[visits["cleared"].notna() & visits["bother"].notna()]["case"].value_counts()
    open_cases = cases[(cases["ending"] == "ongoing") & (cases["sessions"] == 2) & cases["size_mm"].notna()]
    return str(open_cases[open_cases["case"].map(graded).eq(2)]["case"].iloc[0])


def changed(source: Path, target: Path, change: Callable[[list[Row]], list[Row]]) -> Path:
    """A copy of a table with its rows changed."""
    with source.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    with target.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(change(rows))
    return target


def without_last_visit(key: str) -> Callable[[list[Row]], list[Row]]:
    return lambda rows: [row for row in rows if (row["case"], row["session"]) != (key, "2")]


def estimates(answer: str) -> dict[str, np.ndarray]:
    return {one["case"]: np.array(list(one["estimate"].values())) for one in json.loads(answer)}


def test_a_forecast_takes_in_what_the_sessions_showed(run: Run, clinic: Path, seeing: Path, eye: str) -> None:
    call = ("forecast", seeing, "--cases", clinic / "cases.csv", "--horizon", "4", "--json")
    blind, told = run(*call), run(*call, "--visits", clinic / "visits.csv")
    assert (blind.code, told.code) == (0, 0)
    assert np.abs(estimates(told.out)[eye] - estimates(blind.out)[eye]).max() > 0.01
    cases, visits = (retreat.read_cases(clinic / "cases.csv"), retreat.read_visits(clinic / "visits.csv"))
    alone = retreat.load(seeing).forecast(cases[cases["case"] == eye], visits=visits, horizon=4)
    assert estimates(told.out)[eye] == pytest.approx(alone.mean()[0], abs=1e-9)


def test_a_forecast_that_could_use_visits_says_so(run: Run, clinic: Path, seeing: Path, saved: Path) -> None:
    call = ("--cases", clinic / "cases.csv", "--horizon", "3")
    assert "give --visits" in run("forecast", seeing, *call).err
    assert "--visits" not in run("forecast", saved, *call).err


@pytest.mark.parametrize("command", ["forecast", "sheet", "fit"])
def test_visits_that_do_not_agree_with_the_cases_are_refused(
    run: Run, clinic: Path, seeing: Path, eye: str, tmp_path: Path, command: str
) -> None:
    lacking = changed(clinic / "visits.csv", tmp_path / "visits.csv", without_last_visit(eye))
    call = {
        "forecast": (seeing, "--cases", clinic / "cases.csv"),
        "sheet": (seeing, "--cases", clinic / "cases.csv", "--case", eye),
        "fit": (clinic / "cases.csv", "--model", "progress", "--out", tmp_path / "m.retreat"),
    }[command]
    answer = run(command, *call, "--visits", lacking)
    assert answer.code == 1
    assert "1 attended sessions in visits, 2 in cases" in " ".join(answer.err.split())
    assert not (tmp_path / "m.retreat").exists()


def test_a_fit_that_needs_visits_asks_for_them(run: Run, clinic: Path, tmp_path: Path) -> None:
    answer = run("fit", clinic / "cases.csv", "--model", "progress", "--out", tmp_path / "m.retreat")
    assert answer.code == 1
    assert "--visits" in answer.err
    assert "progress learns from what each session did" in " ".join(answer.err.split())


def test_a_fit_learns_from_the_visits_given(run: Run, clinic: Path, tmp_path: Path) -> None:
    def ungraded(rows: list[Row]) -> list[Row]:
        return [{**row, "cleared": "not_applicable" if row["missed"] == "yes" else "unknown"} for row in rows]

    visits = changed(clinic / "visits.csv", tmp_path / "visits.csv", ungraded)
    call = (
        "--model",
        "progress",
        "--method",
        "logistic",
        "--visits",
        visits,
        "--out",
        tmp_path / "m.retreat",
    )
    answer = run("fit", clinic / "cases.csv", *call)
    assert answer.code == 1
    assert "0 sessions were graded" in " ".join(answer.err.split())


def test_visits_that_a_model_does_not_learn_from_are_not_passed_over_in_silence(
    run: Run, clinic: Path, tmp_path: Path
) -> None:
    call = ("--visits", clinic / "visits.csv", "--out", tmp_path / "m.retreat")
    answer = run("fit", clinic / "cases.csv", *call)
    assert answer.code == 0
    assert "core does not learn from visits" in answer.err


def test_a_sheet_of_a_course_under_way_comes_from_two_tables(
    run: Run, clinic: Path, seeing: Path, eye: str, tmp_path: Path
) -> None:
    tables = ("--cases", clinic / "cases.csv", "--visits", clinic / "visits.csv")
    answer = run("sheet", seeing, "--case", eye, *tables, "--out", tmp_path / "s.html", *DATE)
    page = (tmp_path / "s.html").read_text(encoding="utf-8")
    assert answer.code == 0
    assert "You have had 2 sessions. Of 100 eyes that stand where yours stands" in page
    assert "Your sessions so far" in page
    assert eye not in page


def test_an_eye_described_by_options_has_the_same_sheet(
    run: Run, clinic: Path, seeing: Path, eye: str, tmp_path: Path
) -> None:
    cases = retreat.read_cases(clinic / "cases.csv")
    row = cases[cases["case"] == eye].iloc[0]
    known = ("opacity", "size_mm", "lens_gap_mm", "retina_gap_mm", "zone", "cornea", "relief_before")
    options = [
        text
        for name in known
        if row[name] == row[name]
        for text in (f"--{name.replace('_', '-')}", str(row[name]))
    ]
    call = ("sheet", seeing, "--case", eye, "--visits", clinic / "visits.csv")
    answers = [run(*call, *more, *DATE).out for more in (options, ("--cases", clinic / "cases.csv"))]
    told = [answer.split("Eyes like this one")[0] for answer in answers]
    assert told[0] == told[1]
    assert "stand where yours stands" in told[0]


def test_visits_are_read_without_pandas_where_the_eye_is_described_by_options(
    clinic: Path, seeing: Path, eye: str, tmp_path: Path
) -> None:
    code = "import sys; from retreat.cli import main\ntry: main()\nexcept SystemExit as s: print(s.code)\n"
    tail = "print([name for name in ('pandas', 'scipy', 'rich') if name in sys.modules])"
    call = (
        "sheet",
        seeing,
        "--case",
        eye,
        "--visits",
        clinic / "visits.csv",
        *RING,
        "--out",
        tmp_path / "s.html",
    )
    process = [sys.executable, "-c", code + tail, *map(str, call)]
    done = subprocess.run(process, capture_output=True, text=True, check=True)
    assert done.stderr == ""
    assert done.stdout.splitlines()[-1] == "[]"
    assert (tmp_path / "s.html").exists()


def test_visits_of_no_case_are_wrong_usage(run: Run, clinic: Path, seeing: Path) -> None:
    answer = run("sheet", seeing, *RING, "--visits", clinic / "visits.csv")
    assert answer.code == 2
    assert "--visits needs --case" in answer.err


def test_sessions_said_otherwise_than_by_the_visits_are_refused(
    run: Run, clinic: Path, seeing: Path, eye: str
) -> None:
    call = ("--case", eye, "--visits", clinic / "visits.csv", "--sessions", "3")
    answer = run("sheet", seeing, *RING, *call)
    assert answer.code == 1
    assert "3, but the table says 2" in answer.err


def test_a_case_without_visits_is_named(run: Run, clinic: Path, seeing: Path) -> None:
    answer = run("sheet", seeing, *RING, "--case", "nobody77", "--visits", clinic / "visits.csv")
    assert answer.code == 1
    assert "no visit of case nobody77" in " ".join(answer.err.split())


def test_a_fault_in_a_visit_of_the_eye_is_told_with_its_row(
    run: Run, clinic: Path, seeing: Path, eye: str, tmp_path: Path
) -> None:
    def too_much(rows: list[Row]) -> list[Row]:
        return [{**row, "cleared": "1.5"} if row["case"] == eye else row for row in rows]

    visits = changed(clinic / "visits.csv", tmp_path / "visits.csv", too_much)
    with visits.open(newline="", encoding="utf-8") as stream:
        first = next(i for i, row in enumerate(csv.DictReader(stream), start=2) if row["case"] == eye)
    answer = run("sheet", seeing, *RING, "--case", eye, "--visits", visits)
    assert answer.code == 1
    assert str(first) in answer.err
    assert "0 to 1" in answer.err


def test_a_hole_in_the_sessions_of_the_eye_is_refused(
    run: Run, clinic: Path, seeing: Path, eye: str, tmp_path: Path
) -> None:
    def only_the_second(rows: list[Row]) -> list[Row]:
        return [row for row in rows if (row["case"], row["session"]) != (eye, "1")]

    visits = changed(clinic / "visits.csv", tmp_path / "visits.csv", only_the_second)
    answer = run("sheet", seeing, *RING, "--case", eye, "--visits", visits)
    assert answer.code == 1
    assert "1, 2, 3, ... once each" in " ".join(answer.err.split())


@pytest.mark.parametrize("name", ["visits.tsv", "visits.csv"])
def test_a_table_that_is_no_plain_csv_is_read_by_the_reader_of_tables(
    run: Run, clinic: Path, seeing: Path, eye: str, tmp_path: Path, name: str
) -> None:
    separator = "\t" if name.endswith("tsv") else ";"
    target = tmp_path / name
    target.write_text((clinic / "visits.csv").read_text().replace(",", separator))
    answer = run("sheet", seeing, *RING, "--case", eye, "--visits", target)
    assert answer.code == 0
    assert "You have had 2 sessions." in answer.out
