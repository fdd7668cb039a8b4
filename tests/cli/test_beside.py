"""The visits beside the cases in one SQLite file are found without being named."""

from __future__ import annotations

from pathlib import Path

import pytest
from outcome import Run
from record_examples import csv_clinic, sqlite_clinic

from retreat.cli.beside import visits_of
from retreat.errors import TableError


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


def test_a_file_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    (tmp_path / "clinic.sqlite").write_text("no database")
    with pytest.raises(TableError, match="no SQLite file"):
        visits_of(tmp_path / "clinic.sqlite", None)


def test_a_folder_may_have_a_point_in_its_name(tmp_path: Path, run: Run) -> None:
    clinic = csv_clinic(tmp_path / "b")
    kept = run("keep", tmp_path / "Clinic 3.2", "--cases", clinic.cases, "--visits", clinic.visits)
    assert "kept 4 cases and 4 visits" in kept.out
