"""`retreat report size` as its user calls it."""

import json
import sys
from pathlib import Path

import pytest

from retreat.cli import main

SAVED = Path(__file__).parents[2] / "saved" / "core-0.1.0.retreat"
QUICK = ("--eyes", "100,200", "--studies", "20")


@pytest.fixture
def size(monkeypatch, capsys):
    def call(*arguments):
        monkeypatch.setattr(sys, "argv", ["retreat", "report", "size", *map(str, arguments)])
        capsys.readouterr()
        code = 0
        try:
            main()
        except SystemExit as stop:
            code = stop.code or 0
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return call


def test_it_prints_criteria_table_and_sentences_and_draws(size, tmp_path):
    code, out, _ = size(
        *QUICK,
        "--effect",
        "corneal_surgery=yes",
        "--odds-ratio",
        "0.5",
        "--svg",
        tmp_path / "size.svg",
        "--png",
        tmp_path / "size.png",
    )
    assert code == 0
    assert "Closed criteria" in out
    assert "With 200 eyes of 167 patients" in out
    assert "odds ratio of 0.5 of corneal_surgery=yes" in out
    assert (tmp_path / "size.svg").read_bytes().startswith(b"<?xml")
    assert (tmp_path / "size.png").stat().st_size > 10_000


def test_json_of_a_saved_model_carries_its_cautions(size, tmp_path):
    mix = tmp_path / "mix.toml"
    mix.write_text("size_mm = [1.0, 2.0, 4.0]\n", encoding="utf-8")
    code, out, _ = size(*QUICK, "--truth", SAVED, "--mix", mix, "--typical", "size_mm=3", "--json")
    told = json.loads(out)
    assert code == 0
    assert [one["eyes"] for one in told["points"]] == [100, 200]
    assert {one["end"] for one in told["closed"]} == {"relieved", "stopped"}
    assert told["scenario"]["typical_eye"]["size_mm"] == 3.0
    assert any("invented" in line for line in told["scenario"]["cautions"])


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--effect", "corneal_surgery=yes"), "go together"),
        (("--eyes", "many"), "whole numbers such as"),
        (("--typical", "size_mm"), "a feature and its value"),
    ],
)
def test_wrong_usage_exits_2(size, arguments, said):
    code, _, err = size(*arguments)
    assert code == 2
    assert said in err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--eyes", "5"), "eyes"),
        (("--studies", "1"), "studies"),
        (("--model", "full"), "mix, lens"),
        (("--lost", "2"), "lost"),
        (("--penalty", "lasso"), "penalty"),
    ],
)
def test_a_scenario_that_cannot_be_exits_1_and_names_it(size, arguments, said):
    code, _, err = size(*arguments)
    assert code == 1
    assert said in err
