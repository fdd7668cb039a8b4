"""`retreat report share` as its user calls it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from outcome import Run


def test_a_folder_is_shared_and_a_second_run_changes_no_byte(
    run: Run, clinic: Path, saved: Path, tmp_path: Path
) -> None:
    given = ("report", "share", clinic / "cases.csv", "--visits", clinic / "visits.csv", "--model", saved)
    given = (*given, "--out", tmp_path / "out", "--crosswalk", tmp_path / "crosswalk.csv")

    first = run(*given)
    again = run(*given, "--json")

    told = json.loads(again.out)
    assert (first.code, again.code) == (0, 0), first.err + again.err
    assert "at least 5 patients look alike" in first.out
    assert "must stay in the clinic" in first.out
    more = "To keep more, name fewer columns or put the most useful first by --known"
    assert more in first.out
    assert f"- {more}" in (tmp_path / "out" / "README.md").read_text()
    assert "use --k 11" in first.out.splitlines()[-1]
    assert told["model_shared"] is True
    assert told["is_new"] is False
    assert told["twin_check"]["passed"] is told["twin_shared"]
    assert set(told["files"]) == {path.name for path in (tmp_path / "out").iterdir()}


def test_what_cannot_be_shared_is_refused_in_words(
    run: Run, clinic: Path, saved: Path, tmp_path: Path
) -> None:
    given = ("report", "share", clinic / "cases.csv", "--model", saved)
    out = ("--out", tmp_path / "out")

    inside = run(*given, *out, "--crosswalk", tmp_path / "out" / "x.csv")
    over = run(*given, *out, "--crosswalk", clinic / "cases.csv")
    nothing = run(*given, *out)

    assert (inside.code, over.code, nothing.code) == (1, 1, 2)
    assert "inside the folder that is shared" in inside.err
    assert "also read as cases" in over.err
    assert "Traceback" not in inside.err + over.err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("option", "value", "said"),
    [
        ("--k", "1", "--k: 1; allowed: a whole number from 2 to 100"),
        ("--known", "colour,age", "--known: colour; allowed: cornea, lens, pvd, site, operator, age,"),
        ("--known", "age,age", "--known: a column stands twice"),
        ("--seed", "-3", "--seed: -3; allowed: a whole number from 0"),
    ],
)
def test_wrong_usage_exits_2_before_a_table_is_read(
    run: Run, tmp_path: Path, option: str, value: str, said: str
) -> None:
    # no file is there: reading one would be refused with 1
    given = ("report", "share", tmp_path / "cases.csv", "--model", tmp_path / "m.retreat")
    answer = run(*given, "--out", tmp_path / "out", "--crosswalk", tmp_path / "x.csv", option, value)

    assert answer.code == 2
    assert said in " ".join(answer.err.split())


def test_too_few_patients_are_told_of_the_table_as_it_is_given(
    run: Run, clinic: Path, saved: Path, tmp_path: Path
) -> None:
    few = tmp_path / "few.csv"
    few.write_text("".join((clinic / "cases.csv").read_text().splitlines(keepends=True)[:4]))
    given = ("report", "share", few, "--model", saved, "--out", tmp_path / "out")

    answer = run(*given, "--crosswalk", tmp_path / "x.csv")

    assert answer.code == 1
    assert "CASES" in answer.err
    assert "--cases" not in answer.err
