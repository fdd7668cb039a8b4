"""``retreat published``: from nothing to a model and a sheet that say what they rest on."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from outcome import Run

import retreat

RING = ("--opacity", "ring", "--size-mm", "2", "--zone", "middle", "--cornea", "none", "--lens", "natural")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return retreat.published().save(tmp_path_factory.mktemp("published") / "published.retreat")


def test_it_writes_a_model_and_says_what_it_rests_on(run: Run, made: Path, tmp_path: Path) -> None:
    answer = run("published", "--out", tmp_path / "p.retreat")
    model = retreat.load(tmp_path / "p.retreat")
    assert answer.code == 0
    assert answer.out.splitlines()[: len(model.card.basis)] == list(model.card.basis)
    assert answer.out.splitlines()[-1].startswith(f"model {model.model_id} written to ")
    assert model.model_id == retreat.load(made).model_id


def test_json_holds_the_card(run: Run, tmp_path: Path) -> None:
    card = json.loads(run("published", "--out", tmp_path / "p.retreat", "--seed", "3", "--json").out)
    assert (card["n_cases"], card["seed"]) == (0, 3)
    assert card["basis"][0].startswith("These numbers come from published averages")


def test_the_sheet_prints_the_basis_first(run: Run, made: Path) -> None:
    answer = run("sheet", made, *RING)
    assert answer.code == 0
    shown = " ".join(answer.out.split())
    for line in retreat.load(made).card.basis:
        assert line in shown
    assert shown.index("These numbers come from published averages") < shown.index("How many laser sessions")


def test_a_definition_without_studies_is_refused(run: Run, tmp_path: Path) -> None:
    answer = run("published", "--out", tmp_path / "p.retreat", "--model", "core")
    assert answer.code == 1
    assert "core has no studies" in answer.err
    assert "--model" in answer.err
    assert not (tmp_path / "p.retreat").exists()


def test_the_definition_is_not_overwritten(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text("kept")
    assert run("published", "--out", path, "--model", path).code == 1
    assert path.read_text() == "kept"


def test_a_forecast_of_a_table_says_what_it_rests_on(run: Run, made: Path, clinic: Path) -> None:
    answer = run("forecast", made, "--cases", clinic / "cases.csv", "--horizon", "3")
    assert answer.code == 0
    assert "not from eyes treated here" in answer.err
