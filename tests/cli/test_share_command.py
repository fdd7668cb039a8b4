"""`retreat report share` as its user calls it."""

from __future__ import annotations

import json
from pathlib import Path

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
    rule = run(*given, *out, "--crosswalk", tmp_path / "x.csv", "--known", "age,surname")
    over = run(*given, *out, "--crosswalk", clinic / "cases.csv")
    nothing = run(*given, *out)

    assert (inside.code, rule.code, over.code, nothing.code) == (1, 1, 1, 2)
    assert "inside the folder that is shared" in inside.err
    assert "surname" in rule.err
    assert "also read as cases" in over.err
    assert "Traceback" not in inside.err + rule.err + over.err
    assert list(tmp_path.iterdir()) == []
