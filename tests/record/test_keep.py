"""Records moved between CSV and SQLite, and SQLite files read wherever a table is."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from record_examples import CASES, VISITS, csv_clinic, sqlite_clinic

import retreat
from retreat.errors import TableError
from retreat.record import keep
from retreat.tables import check_file, write_table
from retreat.tables.schema import CASES as CASES_SCHEMA


def test_csv_to_sqlite_and_back_keeps_every_cell_as_written(tmp_path: Path) -> None:
    clinic = csv_clinic(tmp_path)
    keep(tmp_path / "clinic.sqlite", clinic.cases, clinic.visits)
    cases, visits = keep(tmp_path / "back", tmp_path / "clinic.sqlite")
    assert cases.read_text() == CASES
    assert visits.read_text() == VISITS


@pytest.mark.parametrize("name", ["clinic.sqlite3", "clinic.db"])
def test_an_sqlite_file_reads_as_the_csv_files_it_was_made_from(tmp_path: Path, name: str) -> None:
    clinic = csv_clinic(tmp_path)
    keep(tmp_path / name, clinic.cases, clinic.visits)
    cases = retreat.read_cases(tmp_path / name)
    assert cases.equals(retreat.read_cases(clinic.cases))
    assert cases.attrs == retreat.read_cases(clinic.cases).attrs
    assert retreat.read_visits(tmp_path / name, cases).equals(retreat.read_visits(clinic.visits))


def test_a_database_with_numbers_of_its_own_types_is_read(tmp_path: Path) -> None:
    path = tmp_path / "own.sqlite"
    with closing(sqlite3.connect(path)) as database:
        database.execute(
            'CREATE TABLE visits ("case" TEXT, session INTEGER, day INTEGER, energy_mj REAL, bother)'
        )
        database.execute("INSERT INTO visits VALUES ('m2c8w5rd', 1, 0, 4.5, 'unknown')")
        database.execute("INSERT INTO visits VALUES ('m2c8w5rd', 2, 30, 5.0, NULL)")
        database.commit()
    with pytest.raises(TableError) as error:
        retreat.read_visits(path)
    (fault,) = error.value.faults
    assert (fault.row, fault.column, fault.what) == (3, "bother", "the cell is blank")
    with closing(sqlite3.connect(path)) as database:
        database.execute("UPDATE visits SET bother = 2 WHERE session = 2")
        database.commit()
    assert retreat.read_visits(path)["energy_mj"].tolist() == [4.5, 5.0]


def test_check_finds_the_same_faults_in_sqlite(tmp_path: Path) -> None:
    clinic = sqlite_clinic(tmp_path)
    assert check_file(clinic.cases, clinic.visits).is_sound
    with closing(sqlite3.connect(clinic.cases)) as database:
        database.execute("UPDATE cases SET sessions = '3' WHERE sessions = '2'")
        database.commit()
    (fault,) = check_file(clinic.cases, clinic.visits).faults
    assert (fault.where, fault.value) == ("session (visits)", "2")


def test_faults_keep_a_record_from_being_moved(tmp_path: Path) -> None:
    clinic = csv_clinic(tmp_path, CASES, VISITS.replace("t9b4k6hn,1", "t9b4k6hn,2"))
    with pytest.raises(TableError, match="no attended row of session 1"):
        keep(tmp_path / "clinic.sqlite", clinic.cases, clinic.visits)
    clinic = csv_clinic(tmp_path, CASES.replace("2021,1,ongoing", "2021,2,ongoing"))
    with pytest.raises(TableError, match="1 attended sessions in visits, 2 in cases"):
        keep(tmp_path / "clinic.sqlite", clinic.cases, clinic.visits)
    assert not (tmp_path / "clinic.sqlite").exists()


def test_an_existing_file_is_not_overwritten(tmp_path: Path) -> None:
    clinic = csv_clinic(tmp_path)
    with pytest.raises(TableError, match="the file exists"):
        keep(tmp_path, clinic.cases, clinic.visits)
    assert clinic.cases.read_text() == CASES


def test_what_is_not_text_is_refused(tmp_path: Path) -> None:
    clinic = csv_clinic(tmp_path)
    write_table(retreat.read_cases(clinic.cases), CASES_SCHEMA, tmp_path / "cases.parquet")
    with pytest.raises(TableError, match="are not text"):
        keep(tmp_path / "clinic.sqlite", tmp_path / "cases.parquet")


def test_a_file_that_is_no_database_is_told(tmp_path: Path) -> None:
    path = tmp_path / "clinic.sqlite"
    with pytest.raises(TableError, match="there is no such file"):
        retreat.read_cases(path)
    assert not path.exists()
    path.write_text(CASES)
    with pytest.raises(TableError, match="this is no SQLite file"):
        retreat.read_cases(path)
    path.write_bytes(b"SQLite format 3\x00" + b"x" * 5000)
    with pytest.raises(TableError, match="SQLite refuses"):
        retreat.read_cases(path)
    path.unlink()
    with closing(sqlite3.connect(path)) as database:
        database.execute("CREATE TABLE other (a)")
        database.commit()
    with pytest.raises(TableError, match="the file has no table cases"):
        retreat.read_cases(path)


def test_a_table_without_rows_is_told(tmp_path: Path) -> None:
    begun = csv_clinic(tmp_path, CASES.replace(",1,ongoing", ",0,ongoing").replace("2,relieved", "0,ongoing"))
    keep(tmp_path / "clinic.sqlite", begun.cases)
    with pytest.raises(TableError, match="no row below it"):
        retreat.read_visits(tmp_path / "clinic.sqlite")
