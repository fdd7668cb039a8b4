"""`retreat report size` as its user calls it."""

import csv
import io
import json
import re
import sys
from pathlib import Path

import pytest

from retreat.cli import main
from retreat.study.size.folder import SUMS

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


def test_it_prints_criteria_table_and_sentences(size):
    code, out, _ = size(*QUICK, "--effect", "corneal_surgery=yes", "--odds-ratio", "0.5")
    assert code == 0
    assert "Closed criteria" in out
    assert "With 200 eyes of 167 patients" in out
    assert "odds ratio of 0.5 of corneal_surgery=yes" in out
    assert "power 0.8 or more (common practice)" in out
    assert _headings(out)[-3:] == ["power", "no estimate", "not reached"]


def test_the_answer_ends_with_a_size_for_both_ends_and_has_rows_of_each(size):
    code, out, _ = size(*QUICK)
    lines = out.splitlines()
    assert code == 0
    # no effect is sought: no column stands empty
    assert _headings(out)[-2:] == ["no estimate", "not reached"]
    assert [line.split()[:2] for line in lines if line.startswith(("relieved  ", "stopped  "))] == [
        ["relieved", "100"],
        ["relieved", "200"],
        ["stopped", "100"],
        ["stopped", "200"],
    ]
    assert any(line.startswith("Targets: calibration slope 0.9 or more (Riley") for line in lines)
    assert "This size is judged by relieved alone." in lines
    assert lines[-1].startswith("For both ends, relieved and stopped: more than 1060 eyes (")
    assert "stopped 1060 by closed criteria and no size looked at by simulation" in lines[-1]
    assert "Up to 200 eyes were simulated, too few for " in lines[-1]
    assert "stopped (the expected calibration slope and the spread of the slope): look at larger" in lines[-1]


def test_a_folder_holds_sentences_figure_tables_and_numbers(size, tmp_path):
    folder = tmp_path / "size"
    code, out, _ = size(*QUICK, "--out", folder)
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert code == 0
    assert f"written: {folder} (7 files)" in out
    assert set(before) == {"protocol.txt", "size.svg", "size.png", "size.csv", "closed.csv", "size.json"} | {
        SUMS
    }
    assert before["size.svg"].startswith(b"<?xml")
    assert before["size.png"].startswith(b"\x89PNG")
    told = json.loads(before["size.json"])
    assert told["eyes_for_all_ends"] is None
    assert told["chosen_eyes_by_end"]["stopped"] is None
    assert before["protocol.txt"].decode().splitlines()[-1] == told["protocol"][-1]
    table = list(csv.DictReader(io.StringIO(before["size.csv"].decode())))
    slope = next(r for r in table if (r["eyes"], r["measure"], r["end"]) == ("200", "slope", "stopped"))
    assert float(slope["value"]) == told["points"][1]["slope"]["stopped"]["value"]
    closed = list(csv.DictReader(io.StringIO(before["closed.csv"].decode())))
    assert [(r["end"], r["eyes"]) for r in closed] == [("relieved", "387"), ("stopped", "1060")]

    # an earlier run is replaced, by the same bytes where it is the same
    again, _, _ = size(*QUICK, "--out", folder)
    assert again == 0
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("protocol.txt", b"edited", "protocol.txt was changed since it was written"),
        ("notes.txt", b"mine", "notes.txt is no file of an earlier run"),
        (SUMS, b"", "is no file of an earlier run"),
    ],
)
def test_a_changed_or_foreign_file_of_the_folder_is_refused_before_the_work(
    size, tmp_path, monkeypatch, name, content, told
):
    folder = tmp_path / "size"
    assert size(*QUICK, "--out", folder)[0] == 0
    (folder / name).write_bytes(content)
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    monkeypatch.setattr("retreat.study.size.of_definition", _never)
    code, _, err = size(*QUICK, "--out", folder)
    assert code == 1
    assert told in " ".join(err.split())
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_a_file_that_is_only_named_like_one_of_a_run_is_refused_before_the_work(size, tmp_path, monkeypatch):
    monkeypatch.setattr("retreat.study.size.of_definition", _never)
    (tmp_path / "protocol.txt").write_text("mine")
    code, _, err = size(*QUICK, "--out", tmp_path)
    assert code == 1
    assert "protocol.txt is no file of an earlier run" in " ".join(err.split())
    assert (tmp_path / "protocol.txt").read_text() == "mine"


@pytest.mark.parametrize("place", ["a_file", "missing/size", "foreign", "a_folder", "unwritable"])
def test_a_place_that_cannot_be_written_is_refused_before_the_work(size, tmp_path, monkeypatch, place):
    monkeypatch.setattr("retreat.study.size.of_definition", _never)
    monkeypatch.setattr("retreat.study.size.simulate_size", _never)
    (tmp_path / "a_file").write_text("x")
    (tmp_path / "foreign").mkdir()
    (tmp_path / "foreign" / "notes.txt").write_text("mine")
    (tmp_path / "a_folder" / "protocol.txt").mkdir(parents=True)
    if place == "unwritable":
        monkeypatch.setattr(
            "retreat.study.size.folder.tempfile.TemporaryFile", _refused
        )  # whoever runs this may write anywhere
    before = sorted(tmp_path.rglob("*"))
    code, _, err = size(*QUICK, "--out", tmp_path / place)
    assert code == 1
    assert "--out" in err
    assert sorted(tmp_path.rglob("*")) == before


def _headings(out):
    return re.split(r"\s{2,}", next(line for line in out.splitlines() if line.startswith("end ")).strip())


def _never(*_, **__):
    raise AssertionError("the long work was begun")


def _refused(**_):
    raise PermissionError(13, "Permission denied")


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
        (("--effect", "lens=foo", "--odds-ratio", "2"), "--effect: lens=foo; allowed: opacity=strand, "),
        (
            ("--effect", "corneal_surgery=yes", "--odds-ratio", "2", "--on", "relief"),
            "--on: relief; allowed: relieved, stopped; to mend: did you mean relieved?",
        ),
        (
            ("--effect", "corneal_surgery=yes", "--odds-ratio", "-1"),
            "--odds-ratio: -1.0; allowed: a number above 0",
        ),
        (("--eyes", "many"), "whole numbers such as"),
        (("--eyes", "5"), "--eyes: 5; allowed: a whole number from 20 to 20000"),
        (("--studies", "5"), "--studies: 5; allowed: a whole number from 20 to 5000"),
        (
            ("--by-session", "9"),
            "--by-session: 9; allowed: a whole number from 1 to 6; to mend: ask for an earlier session, or",
        ),
        (("--penalty", "banana"), "--penalty: banana; allowed: prior, firth or a number from 0"),
        (("--lost", "2"), "--lost: 2.0; allowed: a number from 0 to 0.9"),
        (("--eyes-per-patient", "3"), "--eyes-per-patient: 3.0; allowed: a number from 1 to 2"),
        (("--most-sessions", "40"), "--most-sessions: 40; allowed: a whole number from 1 to 20"),
        (("--seed", "-3"), "--seed: -3; allowed: a whole number from 0"),
        (("--typical", "size_mm"), "a feature and its value"),
        (("--typical", "opacity=worm"), "--typical opacity: worm; allowed: ring, strand, cloud, sheet"),
        (("--typical", "size_mm=-2"), "--typical size_mm: -2.0; allowed: a number from "),
        (
            ("--typical", "colour=red"),
            "--typical: colour is no feature of the definition; allowed: opacity, ",
        ),
        (("--mix", "nothere.toml"), "--mix nothere.toml: there is no such file"),
    ],
)
def test_wrong_usage_exits_2_before_any_work_and_says_what_is_allowed(size, monkeypatch, arguments, said):
    monkeypatch.setattr("retreat.study.size.size_by_end", _never)
    monkeypatch.setattr("retreat.study.size.simulate_size", _never)
    code, _, err = size(*arguments)
    assert code == 2
    assert said in " ".join(err.split())


def test_several_wrong_values_are_told_together(size):
    code, _, err = size("--eyes", "5,100", "--studies", "2", "--penalty", "banana")
    assert code == 2
    assert all(option in err for option in ("--eyes: 5", "--studies: 2", "--penalty: banana"))


def test_a_definition_of_features_the_mix_does_not_tell_exits_1_and_names_them(size):
    code, _, err = size("--model", "full")
    assert code == 1
    assert "mix, lens" in err
