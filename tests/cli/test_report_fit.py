"""`retreat report fit` as its user calls it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from outcome import Run


@pytest.mark.slow
def test_a_fit_is_checked_and_written_as_one_page(run: Run, clinic: Path, tmp_path: Path) -> None:
    page = tmp_path / "fit.html"

    answer = run(
        "report", "fit", clinic / "cases.csv", "--model", "core", "--against", "mover_stayer", "--out", page
    )

    assert answer.code == 0
    assert "must never be used with a patient" in answer.out
    assert "relieved at session 1, of those who had it" in answer.out
    assert "mover_stayer beside core:" in answer.out
    assert "Does the fit look like the clinic?" in page.read_text(encoding="utf-8")


def test_a_fit_is_checked_as_json(run: Run, clinic: Path) -> None:
    answer = run("report", "fit", clinic / "cases.csv", "--json")

    told = json.loads(answer.out)
    assert answer.code == 0
    assert told["definition"] == "core"
    assert told["leave_one_out"]["n_refitted"] == told["leave_one_out"]["n_khat_high"] < 20
    assert told["cautions"]


def test_what_cannot_be_checked_is_refused(run: Run, clinic: Path) -> None:
    table = run("report", "fit", clinic / "cases.csv", "--model", "lifetable")
    other = run("report", "fit", clinic / "cases.csv", "--against", "second_session")
    over = run("report", "fit", clinic / "cases.csv", "--out", clinic / "cases.csv")
    nothing = run("report", "fit")

    assert (table.code, other.code, over.code, nothing.code) == (1, 1, 1, 2)
    assert "table without priors" in table.err
    assert "another outcome" in other.err
    assert "Traceback" not in table.err + other.err + over.err
