"""`retreat report study` as its user calls it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from outcome import Run

from retreat.cli.study_options import typed
from retreat.cli.usage import told_by
from retreat.errors import Fault, FitError


def test_one_command_writes_page_word_tables_figures_and_numbers(
    run: Run, clinic: Path, tmp_path: Path
) -> None:
    given = ("report", "study", clinic / "cases.csv", "--visits", clinic / "visits.csv", "--penalty", "prior")

    found = run(*given, "--resamples", 20, "--imputations", 2, "--out", tmp_path / "out")

    assert found.code == 0, found.err
    assert "These cases were invented" in found.out
    assert "Odds ratios:" in found.out
    home = tmp_path / "out"
    for name in (
        "README.txt",
        "answers.toml",
        "model/coefficients.json",
        "study.html",
        "study.docx",
        "study.json",
        "tables/baseline.csv",
        "figures/forest.svg",
    ):
        assert (home / name).stat().st_size > 500
    assert {path.suffix for path in (home / "figures").iterdir()} == {".svg", ".png"}
    told = json.loads((home / "study.json").read_text())
    assert {"cohort", "effects", "model_in_hand", "point_chart", "form"} <= set(told)


def test_a_second_run_writes_over_unchanged_files_alone_and_before_any_work(
    run: Run, clinic: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = tmp_path / "out"
    given = ("report", "study", clinic / "cases.csv", "--resamples", 20, "--imputations", 0, "--out", home)
    first = run(*given, "--seed", 1)
    again = run(*given, "--seed", 2)
    assert (first.code, again.code) == (0, 0), first.err + again.err
    assert "seed 2" in (home / "study.html").read_text()
    questions = first.out.splitlines()[-1]
    assert "questions of the form are open" in questions
    assert str(home / "answers.toml") in questions
    (home / "study.docx").write_bytes(b"edited")
    (home / "mine.csv").write_bytes(b"mine")

    monkeypatch.setattr("retreat.study.series.study_series", lambda *_, **__: pytest.fail("work was done"))
    refused = run(*given)

    assert refused.code == 1
    for told in ("study.docx was changed", "mine.csv is no file of an earlier run", "another folder"):
        assert told in " ".join(refused.err.split())
    assert (home / "study.docx").read_bytes() == b"edited"
    assert "seed 2" in (home / "study.html").read_text()


def test_an_input_in_the_folder_is_refused_by_the_name_it_was_given_by(run: Run, clinic: Path) -> None:
    found = run("report", "study", clinic / "cases.csv", "--out", clinic)
    assert found.code == 1
    assert "read as CASES" in " ".join(found.err.split())
    assert not (clinic / "study.html").exists()


@pytest.mark.parametrize(
    ("option", "value", "allowed"),
    [
        ("--imputations", -1, "0, or a whole number from 2 to 200"),
        ("--imputations", 1, "0, or a whole number from 2 to 200"),
        ("--threshold", -4, "1<=x<=1000"),
        ("--folds", 1, "0 for none, or a whole number from 2"),
        ("--folds", -2, "0 for none, or a whole number from 2"),
        ("--seed", -3, "x>=0"),
        ("--resamples", 3, "x>=20"),
        ("--by", "colour", "opacity, opacities, depth_source, cornea, lens, pvd, eye, site, operator"),
        ("--penalty", "much", "prior, firth or cv"),
        ("--penalty", -1, "a number from 0"),
    ],
)
def test_an_option_out_of_range_is_a_misuse_told_before_any_work(
    run: Run, clinic: Path, tmp_path: Path, option: str, value: object, allowed: str
) -> None:
    found = run("report", "study", clinic / "cases.csv", option, value, "--out", tmp_path / "out")
    assert found.code == 2
    assert option in found.err
    assert allowed in " ".join(found.err.split())
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(("answers", "told"), [("none.toml", "there is no file"), (".", "is a folder")])
def test_answers_that_are_not_there_are_refused_before_any_work(
    run: Run, clinic: Path, tmp_path: Path, answers: str, told: str
) -> None:
    given = ("--answers", tmp_path / answers, "--out", tmp_path / "out" / "new")
    found = run("report", "study", clinic / "cases.csv", *given)
    assert found.code == 1
    assert told in " ".join(found.err.split())
    assert "Errno" not in found.err
    assert not (tmp_path / "out").exists()


def test_messages_name_arguments_as_they_were_typed(run: Run, clinic: Path, tmp_path: Path) -> None:
    folder = run("report", "study", clinic, "--out", tmp_path / "out")
    assert folder.code == 1
    assert "CASES" in folder.err
    assert "this is a folder" in folder.err
    with pytest.raises(FitError) as told, told_by({"cases": "CASES"}, typed):
        raise FitError([Fault("cases", "no end", fix="use penalty='firth'"), Fault("by", "by='shoe'")])
    assert [(f.where, f.what, f.fix) for f in told.value.faults] == [
        ("CASES", "no end", "use --penalty firth"),
        ("by", "--by shoe", ""),
    ]


def test_what_cannot_be_done_is_refused_in_words(run: Run, clinic: Path, tmp_path: Path) -> None:
    given = ("report", "study", clinic / "cases.csv", "--resamples", 20)
    taken = tmp_path / "taken"
    taken.write_text("a file")

    unknown = run(*given, "--by", "shoe", "--out", tmp_path / "out")
    missing = run("report", "study", tmp_path / "none.csv", "--out", tmp_path / "out")
    blocked = run(*given, "--out", taken)
    penalty = run(*given, "--penalty", "much", "--out", tmp_path / "out")
    nowhere = run(*given)

    assert (missing.code, blocked.code) == (1, 1)
    assert (unknown.code, penalty.code, nowhere.code) == (2, 2, 2)
    assert "shoe" in unknown.err
    assert "taken" in blocked.err
    assert "prior, firth or cv" in penalty.err
    assert "Traceback" not in unknown.err + missing.err + blocked.err
    assert taken.read_text() == "a file"
