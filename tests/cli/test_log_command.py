"""`retreat log` and `retreat keep`: thin calls, messages and exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from outcome import Run
from record_examples import MAKERS, Clinic, csv_clinic


@pytest.fixture(params=MAKERS)
def record(request: pytest.FixtureRequest, tmp_path: Path) -> Clinic:
    return MAKERS[request.param](tmp_path)


VISIT = ("--case", "m2c8w5rd", "--session", 2, "--day", 45, "--pulses", 320, "--energy-mj", 4.2, "--cleared", 0.6,
         "--fragments", "few", "--bother", 3, "--event", "none")  # fmt: skip


def test_the_same_commands_work_on_csv_and_sqlite(run: Run, record: Clinic) -> None:
    before = record.cells()
    logged = run("log", record.visits, "--cases", record.cases, *VISIT, "--ending", "relieved")
    assert (logged.code, logged.err) == (0, "")
    assert "logged session 2 of m2c8w5rd\nthe case: 2 sessions done, relieved" in logged.out
    assert run("check", record.cases, "--visits", record.visits).code == 0
    undone = run("log", record.visits, "--undo", "--json")
    assert json.loads(undone.out)["done"] == "took_back"
    assert record.cells() == before
    assert run("log", record.visits, "--undo").code == 1


def test_a_refusal_names_the_option(run: Run, tmp_path: Path) -> None:
    clinic = csv_clinic(tmp_path)
    refused = run("log", clinic.visits, "--cases", clinic.cases, *VISIT, "--energy-mj", 60)
    assert refused.code == 1
    assert "--energy-mj" in refused.err
    assert "0 to 50" in refused.err
    stopped = run("log", clinic.visits, "--cases", clinic.cases, *VISIT, "--ending", "stopped")
    assert "--stop-reason" in stopped.err


def test_a_missed_visit_is_logged(run: Run, tmp_path: Path) -> None:
    clinic = csv_clinic(tmp_path)
    logged = run("log", clinic.visits, "--cases", clinic.cases, "--case", "m2c8w5rd", "--missed")
    assert "logged missed session 2 of m2c8w5rd\nthe case: 1 session done, ongoing" in logged.out


@pytest.mark.parametrize(
    "arguments", [(), ("--undo", "--missed"), ("--undo", "--case", "k"), ("--undo", "--day", 3)]
)
def test_wrong_use_is_told(run: Run, tmp_path: Path, arguments: tuple[object, ...]) -> None:
    clinic = csv_clinic(tmp_path)
    assert run("log", clinic.visits, "--cases", clinic.cases, *arguments).code == 2


def test_a_record_is_kept_as_sqlite_and_used_by_other_commands(run: Run, tmp_path: Path) -> None:
    clinic = csv_clinic(tmp_path)
    kept = run("keep", tmp_path / "clinic.sqlite", "--cases", clinic.cases, "--visits", clinic.visits)
    assert kept.out.strip() == f"kept 4 cases and 4 visits in {tmp_path / 'clinic.sqlite'}"
    checked = run("check", tmp_path / "clinic.sqlite", "--visits", tmp_path / "clinic.sqlite")
    assert "Sound: 4 cases of 3 patients with 4 visits, no fault." in checked.out
    assert run("keep", tmp_path / "clinic.sqlite", "--cases", clinic.cases).code == 1
    other = run("keep", tmp_path / "clinic.txt", "--cases", clinic.cases, "--visits", clinic.visits)
    assert other.code == 1
    assert not (tmp_path / "clinic.txt").exists()
    alone = run("keep", tmp_path / "other.sqlite", "--cases", clinic.cases)
    assert "no table of visits is given" in alone.err
