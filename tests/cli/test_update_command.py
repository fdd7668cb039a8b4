"""``retreat update`` and the log of ``retreat forecast`` as their user calls them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from outcome import Run

import retreat
import synthetic


@pytest.fixture(scope="session")
def later(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("later")
    synthetic.make("registry", seed=12, cases=90, truth=False).write(folder)
    return folder / "cases.csv"


def test_update_writes_a_model_and_says_what_was_done(
    run: Run, saved: Path, later: Path, tmp_path: Path
) -> None:
    before = saved.read_bytes()
    answer = run(
        "update", saved, later, "--out", tmp_path / "u.retreat", "--step", "intercepts", "--folds", "2"
    )
    assert answer.code == 0
    assert "Done: a shift of the level" in answer.out
    assert "invented demonstration data" in answer.out
    updated = retreat.load(tmp_path / "u.retreat")
    assert f"model {updated.model_id} written to" in answer.out
    assert updated.card.lineage[0].model_id == retreat.load(saved).model_id
    assert saved.read_bytes() == before


def test_update_as_json(run: Run, saved: Path, later: Path, tmp_path: Path) -> None:
    answer = run("update", saved, later, "--out", tmp_path / "u.retreat", "--folds", "2", "--json")
    found = json.loads(answer.out)
    assert answer.code == 0
    assert found["model_id"] == retreat.load(tmp_path / "u.retreat").model_id
    assert {row["measure"] for row in found["calibration"]} >= {"observed_expected", "slope", "brier_at"}


def test_update_never_overwrites_its_inputs(run: Run, saved: Path, later: Path) -> None:
    for target in (saved, later):
        before = target.read_bytes()
        answer = run("update", saved, later, "--out", target)
        assert answer.code == 1
        assert "also read by this command" in answer.err
        assert target.read_bytes() == before


def test_a_step_too_far_writes_nothing(run: Run, saved: Path, later: Path, tmp_path: Path) -> None:
    few = tmp_path / "few.csv"
    few.write_text("".join(later.read_text().splitlines(keepends=True)[:13]))
    answer = run(
        "update", saved, few, "--out", tmp_path / "u.retreat", "--step", "re_estimation", "--folds", "2"
    )
    assert answer.code == 1
    assert "--step" in answer.err
    assert "more cases like these" in " ".join(answer.err.split())
    assert not (tmp_path / "u.retreat").exists()


@pytest.mark.parametrize("options", [(), ("--out", "a.retreat", "--watch", "log.jsonl")])
def test_update_wants_either_a_file_or_a_log(
    run: Run, saved: Path, later: Path, options: tuple[str, ...]
) -> None:
    answer = run("update", saved, later, *options)
    assert answer.code == 2
    assert "--watch" in answer.err


def test_forecasts_are_logged_once_and_watched(run: Run, clinic: Path, saved: Path, tmp_path: Path) -> None:
    log, out = tmp_path / "log.jsonl", tmp_path / "f.csv"
    call = ("forecast", saved, "--cases", clinic / "cases.csv", "--out", out, "--log", log)
    first = run(*call)
    lines = log.read_text().splitlines()
    assert first.code == 0
    assert f"{len(lines)} forecasts added" in first.err
    again = run(*call)
    assert "0 forecasts added" in again.err
    assert log.read_text().splitlines() == lines
    answer = run("update", saved, clinic / "cases.csv", "--watch", log)
    assert answer.code == 0
    assert "Too few to tell" in answer.out
    found = json.loads(run("update", saved, clinic / "cases.csv", "--watch", log, "--json").out)
    assert found["action"] == "collect"
    assert found["n_forecasts"] == len(lines)


def test_the_log_is_kept_apart_from_what_is_read(run: Run, clinic: Path, saved: Path) -> None:
    cases = clinic / "cases.csv"
    before = cases.read_bytes()
    answer = run("forecast", saved, "--cases", cases, "--log", cases)
    assert answer.code == 1
    assert cases.read_bytes() == before


def test_a_log_that_is_none_is_refused(run: Run, clinic: Path, saved: Path) -> None:
    answer = run("update", saved, clinic / "cases.csv", "--watch", clinic / "cases.csv")
    assert answer.code == 1
    assert "not a logged forecast" in answer.err


def test_overlapping_years_are_said_and_the_user_may_state_that_no_case_is_shared(
    run: Run, saved: Path, later: Path, tmp_path: Path
) -> None:
    call = ("update", saved, later, "--out", tmp_path / "u.retreat", "--step", "intercepts", "--folds", "2")
    answer = run(*call)
    assert answer.code == 0
    assert "No verdict: it cannot be excluded that the model has seen" in answer.out
    assert retreat.load(tmp_path / "u.retreat").card.validated is None
    stated = run(*call, "--other-practice")
    assert stated.code == 0
    assert "cannot be excluded" not in stated.out
    assert any("it was stated" in note for note in retreat.load(tmp_path / "u.retreat").card.notes)


def test_cases_started_before_a_date_are_not_used(run: Run, saved: Path, later: Path, tmp_path: Path) -> None:
    call = ("update", saved, later, "--out", tmp_path / "u.retreat", "--step", "none", "--folds", "2")
    answer = run(*call, "--since", "2022-01-01")
    assert "not known to have started on 2022-01-01 or later" in answer.out
    wrong = run(*call, "--since", "soon")
    assert wrong.code == 1
    assert "--since" in wrong.err
