"""`retreat report study` as its user calls it."""

from __future__ import annotations

import json
from pathlib import Path

from outcome import Run


def test_one_command_writes_page_word_tables_figures_and_numbers(
    run: Run, clinic: Path, tmp_path: Path
) -> None:
    given = ("report", "study", clinic / "cases.csv", "--visits", clinic / "visits.csv", "--penalty", "prior")

    found = run(*given, "--resamples", 20, "--imputations", 2, "--out", tmp_path / "out")

    assert found.code == 0, found.err
    assert "These cases were invented" in found.out
    assert "Odds ratios:" in found.out
    home = tmp_path / "out"
    for name in ("study.html", "study.docx", "study.json", "tables/baseline.csv", "figures/forest.svg"):
        assert (home / name).stat().st_size > 500
    assert {path.suffix for path in (home / "figures").iterdir()} == {".svg", ".png"}
    told = json.loads((home / "study.json").read_text())
    assert {"cohort", "effects", "model_in_hand", "point_chart", "form"} <= set(told)


def test_what_cannot_be_done_is_refused_in_words(run: Run, clinic: Path, tmp_path: Path) -> None:
    given = ("report", "study", clinic / "cases.csv", "--resamples", 20)
    taken = tmp_path / "taken"
    taken.write_text("a file")

    unknown = run(*given, "--by", "shoe", "--out", tmp_path / "out")
    missing = run("report", "study", tmp_path / "none.csv", "--out", tmp_path / "out")
    blocked = run(*given, "--out", taken)
    penalty = run(*given, "--penalty", "much", "--out", tmp_path / "out")
    nowhere = run(*given)

    assert (unknown.code, missing.code, blocked.code) == (1, 1, 1)
    assert (penalty.code, nowhere.code) == (2, 2)
    assert "shoe" in unknown.err
    assert "taken" in blocked.err
    assert "prior, firth or cv" in penalty.err
    assert "Traceback" not in unknown.err + missing.err + blocked.err
    assert taken.read_text() == "a file"
