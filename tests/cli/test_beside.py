"""The visits beside the cases in one SQLite file are found without being named."""

from __future__ import annotations

from pathlib import Path

from outcome import Run
from record_examples import csv_clinic, sqlite_clinic

from retreat.cli.beside import visits_of


def test_visits_of_a_database_are_its_own(tmp_path: Path) -> None:
    clinic = sqlite_clinic(tmp_path / "a")
    assert visits_of(clinic.cases, None) == clinic.cases
    assert visits_of(clinic.cases, Path("other.csv")) == Path("other.csv")


def test_csv_and_an_empty_table_have_none(tmp_path: Path, run: Run) -> None:
    clinic = csv_clinic(tmp_path / "b")
    assert visits_of(clinic.cases, None) is None
    assert visits_of(None, None) is None
    run("template", "--out", tmp_path / "t")
    run("keep", tmp_path / "empty.sqlite", "--cases", tmp_path / "t" / "cases_template.csv")
    assert visits_of(tmp_path / "empty.sqlite", None) is None
