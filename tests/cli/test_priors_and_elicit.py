"""`retreat report priors` and `retreat elicit` as their user calls them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from outcome import Run

from retreat.definitions import read_definition

ROWS = (
    "description,opacity,size_mm,zone,cornea,relieved_1,relieved_2,relieved_3,stopped_3",
    "a ring,ring,2,middle,none,60,80,88,8",
    "a cloud,cloud,2,middle,none,30,50,62,20",
    "a sheet,sheet,2,middle,none,15,25,32,",
)


def answers(folder: Path, *rows: str) -> Path:
    path = folder / "answers.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_priors_are_told_and_written_as_one_page(run: Run, tmp_path: Path) -> None:
    answer = run("report", "priors", "--model", "core", "--out", tmp_path / "priors.html")

    assert answer.code == 0
    assert "cloud against ring, relieved: odds times 0.37 (0.052 to 2.6)" in answer.out
    assert "relieved by session 1" in answer.out
    assert "What do these priors say?" in (tmp_path / "priors.html").read_text(encoding="utf-8")


def test_priors_beside_a_saved_model_as_json(run: Run, saved: Path) -> None:
    answer = run("report", "priors", "--fitted", saved, "--json")

    told = json.loads(answer.out)
    assert answer.code == 0
    assert told["posterior"][0]["relieved_1"]["mean"] != told["prior"][0]["relieved_1"]["mean"]
    assert told["cautions"]


@pytest.mark.slow
def test_priors_beside_the_posterior_of_cases(run: Run, clinic: Path, tmp_path: Path) -> None:
    page = tmp_path / "priors.html"
    answer = run("report", "priors", "--cases", clinic / "cases.csv", "--out", page)

    assert answer.code == 0
    assert "after the cases" in answer.out
    assert "What hangs on the priors" in page.read_text(encoding="utf-8")


def test_wrong_usage_of_the_report_exits_2_and_a_refusal_1(run: Run, saved: Path, tmp_path: Path) -> None:
    both = run("report", "priors", "--fitted", saved, "--cases", saved)
    lifetable = run("report", "priors", "--model", "lifetable")
    other = run("report", "priors", "--model", "full", "--fitted", saved)
    over = run("report", "priors", "--fitted", saved, "--out", saved)

    assert (both.code, lifetable.code, other.code, over.code) == (2, 1, 1, 1)
    assert "has no priors" in lifetable.err
    assert "fitted to another definition" in other.err


def test_a_template_filled_in_becomes_a_definition_that_fit_takes(
    run: Run, clinic: Path, tmp_path: Path
) -> None:
    empty, mine = tmp_path / "empty.csv", tmp_path / "mine.toml"
    written = run("elicit", "--template", empty)
    head, *rows = empty.read_text(encoding="utf-8").splitlines()
    filled = answers(
        tmp_path, head, *[row.removesuffix(",,,") + f"{60 - 4 * i},80,88,6" for i, row in enumerate(rows)]
    )

    answer = run("elicit", filled, "--model", "core", "--out", mine)
    fitted = run("fit", clinic / "cases.csv", "--model", mine, "--out", tmp_path / "mine.retreat")
    shown = run("report", "priors", "--model", mine)

    assert (written.code, answer.code, fitted.code, shown.code) == (0, 0, 0, 0)
    assert "Eyes in mind for each answer" in answer.out
    assert "The new priors are worth about 30 cases in all" in answer.out
    assert "counts them twice" in answer.out
    assert "counts them twice" in mine.read_text(encoding="utf-8").splitlines()[1]
    assert "counts them twice" in fitted.out
    assert read_definition(mine).name == "core_elicited"
    assert "priors elicited on" in fitted.out


@pytest.mark.parametrize("said", ["0,0,0,0", "100,100,100,0"])
def test_certainties_are_refused_in_plain_words(run: Run, tmp_path: Path, said: str) -> None:
    eyes = ("ring", "cloud", "sheet")
    sure = answers(tmp_path, ROWS[0], *(f"a {eye},{eye},2,middle,none,{said}" for eye in eyes))

    answer = run("elicit", sure, "--out", tmp_path / "m.toml")

    assert answer.code == 1
    assert f"every answer is {said.partition(',')[0]}" in answer.err
    assert not (tmp_path / "m.toml").exists()


def test_the_same_answers_for_every_eye_are_taken_with_a_warning(run: Run, tmp_path: Path) -> None:
    eyes = ("ring", "cloud", "sheet")
    same = answers(tmp_path, ROWS[0], *(f"a {eye},{eye},2,middle,none,50,75,88," for eye in eyes))

    answer = run("elicit", same, "--out", tmp_path / "m.toml")

    assert answer.code == 0
    assert "the answers are the same for all 3 kinds of eye" in answer.out
    assert "one answer, shared out over them" in answer.out


def test_an_open_question_is_shown_as_open(run: Run, tmp_path: Path) -> None:
    answer = run("elicit", answers(tmp_path, *ROWS), "--out", tmp_path / "m.toml", "--json")

    told = json.loads(answer.out)
    assert told["eyes"][2]["answers"]["stopped_3"]["answer"] is None
    assert told["eyes_in_mind"] > 0


def test_bad_answers_are_refused_with_row_column_value_and_nothing_is_written(
    run: Run, tmp_path: Path
) -> None:
    bad = answers(tmp_path, *ROWS, "falling,ring,2,middle,none,60,50,88,8")
    answer = run("elicit", bad, "--out", tmp_path / "m.toml")

    assert answer.code == 1
    assert "relieved_2" in answer.err
    assert "60 to 100" in answer.err
    assert "Traceback" not in answer.err
    assert not (tmp_path / "m.toml").exists()


@pytest.mark.parametrize(("eyes", "code"), [("0", 2), ("-3", 2), ("101", 2), ("nan", 1)])
def test_a_number_of_eyes_in_mind_out_of_range_is_refused(
    run: Run, tmp_path: Path, eyes: str, code: int
) -> None:
    answer = run("elicit", answers(tmp_path, *ROWS), "--out", tmp_path / "m.toml", "--eyes-in-mind", eyes)

    assert answer.code == code
    assert "--eyes-in-mind" in answer.err


def test_wrong_usage_of_elicit_exits_2(run: Run, tmp_path: Path) -> None:
    filled = answers(tmp_path, *ROWS)

    assert run("elicit").code == 2
    assert run("elicit", filled).code == 2
    assert run("elicit", filled, "--template", tmp_path / "t.csv").code == 2
    assert run("elicit", filled, "--out", tmp_path / "m.toml", "--eyes-in-mind", "ten").code == 2


def test_an_output_never_overwrites_an_input(run: Run, tmp_path: Path) -> None:
    filled = answers(tmp_path, *ROWS)
    before = filled.read_text(encoding="utf-8")

    answer = run("elicit", filled, "--out", filled)

    assert answer.code == 1
    assert filled.read_text(encoding="utf-8") == before
