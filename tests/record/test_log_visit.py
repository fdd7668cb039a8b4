"""A visit logged into CSV files and into an SQLite file: what is written, what is refused, what is taken back."""

from __future__ import annotations

import os
import sqlite3
import stat
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from filelock import FileLock
from record_examples import CASES, MAKERS, VISIT, VISITS, Clinic, csv_clinic, sqlite_clinic

import retreat
from retreat.errors import Fault, TableError
from retreat.record import LoggedVisit, log_visit, undo
from retreat.record.entry import cell_of
from retreat.record.text_files import LOCK
from retreat.tables import schema
from retreat.tables.files import read_begun


@pytest.fixture(params=MAKERS)
def clinic(request: pytest.FixtureRequest, tmp_path: Path) -> Clinic:
    return MAKERS[request.param](tmp_path)


def log(clinic: Clinic, **changed: Any) -> LoggedVisit:
    return log_visit(clinic.visits, clinic.cases, **{**VISIT, **changed})


def refused(clinic: Clinic, **changed: Any) -> tuple[Fault, ...]:
    """Faults of a visit that is refused; the files must stay as they were."""
    before = [path.read_bytes() for path in clinic.files]
    with pytest.raises(TableError) as error:
        log(clinic, **changed)
    assert [path.read_bytes() for path in clinic.files] == before
    return error.value.faults


def case_row(clinic: Clinic, key: str) -> dict[str, Any]:
    cases = retreat.read_cases(clinic.cases)
    return cases[cases["case"] == key].iloc[0].to_dict()


def test_a_logged_visit_is_the_last_row_and_its_case_has_a_session_more(clinic: Clinic) -> None:
    logged = log(clinic)
    assert logged == LoggedVisit("m2c8w5rd", 2, "no", 6, 2, "ongoing")
    _, visits = clinic.cells()
    assert visits[-1] == ["m2c8w5rd", "2", "45.0", "op1", "320.0", "4.2", "0.6", "few", "3.0", "none", "no"]
    assert case_row(clinic, "m2c8w5rd")["sessions"] == 2


def test_what_is_not_given_is_not_recorded(clinic: Clinic) -> None:
    log_visit(clinic.visits, clinic.cases, case="m2c8w5rd", day=45)
    clinic.cells()
    visits = retreat.read_visits(clinic.visits)
    assert visits.iloc[-1]["fragments"] == visits.iloc[-1]["operator"] == "not_recorded"
    assert visits.iloc[-1]["missed"] == "no"


def test_a_session_of_which_nothing_is_told_is_not_counted(clinic: Clinic) -> None:
    with pytest.raises(TableError, match="nothing is told of the session"):
        log_visit(clinic.visits, clinic.cases, case="m2c8w5rd")
    assert case_row(clinic, "m2c8w5rd")["sessions"] == 1


def test_a_missed_visit_counts_no_session_and_measures_nothing(clinic: Clinic) -> None:
    logged = log_visit(clinic.visits, clinic.cases, case="m2c8w5rd", day=45, missed="yes")
    assert (logged.session, logged.sessions) == (2, 1)
    last = retreat.read_visits(clinic.visits, retreat.read_cases(clinic.cases)).iloc[-1]
    assert last["event"] == last["operator"] == "not_applicable"
    assert log(clinic).session == 2


def test_an_ending_reaches_the_table_of_cases(clinic: Clinic) -> None:
    log(clinic, ending="relieved", relief_after=0.5)
    assert case_row(clinic, "m2c8w5rd")["ending"] == "relieved"
    assert case_row(clinic, "m2c8w5rd")["relief_after"] == 0.5
    log(clinic, case="t9b4k6hn", ending="stopped", stop_reason="choice")
    assert case_row(clinic, "t9b4k6hn")["stop_reason"] == "choice"
    clinic.cells()


def test_a_first_session_is_on_day_0_and_says_when_the_case_began(clinic: Clinic) -> None:
    (fault,) = refused(clinic, case="w3d7j2ps", day=None)
    assert (fault.where, fault.value) == ("started", "not_applicable")
    log(clinic, case="w3d7j2ps", day=None, started="2024-05-06")
    assert case_row(clinic, "w3d7j2ps")["started"] == "2024-05-06"
    # a rating after treatment can now be given
    assert cell_of(read_begun(clinic.cases, schema.CASES), 5, "relief_after") == "not_recorded"
    assert retreat.read_visits(clinic.visits).iloc[-1]["day"] == 0
    (fault,) = refused(clinic, case="w3d7j2ps", started="2024-05-06")
    assert fault.allowed == "only with session 1"


@pytest.mark.parametrize(
    ("changed", "column", "value", "allowed"),
    [
        ({"energy_mj": 60}, "energy_mj", "60", "0 to 50 mJ"),
        ({"cleared": "0,6"}, "cleared", "0,6", "0 to 1"),
        ({"fragments": "some"}, "fragments", "some", "none, few, many"),
        ({"event": "Lens hit"}, "event", "Lens hit", "none, lens_hit, retina_hit, pressure, other"),
        ({"pulses": 3.5}, "pulses", "3.5", "a whole number, 0 to 5000"),
        ({"session": 1}, "session", "1", "1, 2, 3, ... once each among attended sessions"),
        ({"session": 4}, "session", "4", "1, 2, 3, ... once each among attended sessions"),
        ({"session": "two"}, "session", "two", "a whole number, 1 to 41"),
        ({"missed": "perhaps"}, "missed", "perhaps", "yes, no"),
        ({"ending": "cured"}, "ending", "cured", "relieved, stopped, ongoing"),
        ({"ending": "stopped"}, "stop_reason", "not_applicable", "no_benefit, side_effect, surgery, choice"),
        ({"stop_reason": "choice"}, "stop_reason", "choice", "not_applicable where ending is not stopped"),
        ({"missed": "yes"}, "cleared", "0.6", "not_applicable"),
    ],
)
def test_a_bad_value_is_refused_with_what_is_allowed(
    tmp_path: Path, changed: dict[str, Any], column: str, value: str, allowed: str
) -> None:
    found = {fault.column: fault for fault in refused(csv_clinic(tmp_path), **changed)}
    fault = found[column]
    assert fault.value == value
    assert allowed in fault.allowed
    assert fault.where == column
    assert fault.row is None


def test_a_bad_value_is_refused_in_an_sqlite_file(tmp_path: Path) -> None:
    (fault,) = refused(sqlite_clinic(tmp_path), energy_mj=60)
    assert str(fault).startswith("energy_mj: value 60; allowed: 0 to 50 mJ")


def test_a_day_before_the_last_session_is_refused(tmp_path: Path) -> None:
    clinic = csv_clinic(tmp_path)
    log(clinic)
    (fault,) = refused(clinic, day=44)
    assert fault.what == "day 44, after day 45 at an earlier session"


@pytest.mark.parametrize(
    "changed",
    [
        {"operator": "Jane Smith"},
        {"operator": "jane@example.org"},
        {"pulses": "555-01-2345"},
        {"event": "12/03/1954"},
        {"case": "Smith, Jane"},
        {"case": "jane_smith"},
    ],
)
def test_what_looks_like_a_person_is_refused_and_not_repeated(
    clinic: Clinic, changed: dict[str, str]
) -> None:
    faults = refused(clinic, **changed)
    (value,) = changed.values()
    assert faults
    assert value not in str(TableError(faults))


def test_a_case_must_be_known_and_ongoing(clinic: Clinic) -> None:
    (fault,) = refused(clinic, case="z1z2z3z4")
    assert fault.what == "case z1z2z3z4 is not in cases"
    (fault,) = refused(clinic, case="k7f3q9zt")
    assert fault.what == "case k7f3q9zt has ended (relieved)"


def test_undo_takes_back_the_last_visit_once(clinic: Clinic) -> None:
    log(clinic, case="t9b4k6hn")
    before = clinic.cells()
    log(clinic, ending="stopped", stop_reason="no_benefit")
    assert undo(clinic.visits) == LoggedVisit("m2c8w5rd", 2, "no", 7, 2, "stopped")
    assert clinic.cells() == before
    with pytest.raises(TableError, match="no logged visit to take back"):
        undo(clinic.visits)


def test_undo_refuses_where_nothing_was_logged(clinic: Clinic) -> None:
    with pytest.raises(TableError, match="no logged visit to take back"):
        undo(clinic.visits)


@pytest.mark.parametrize("name", ["visits.csv", "cases.csv"])
def test_undo_refuses_a_csv_table_changed_by_hand(tmp_path: Path, name: str) -> None:
    clinic = csv_clinic(tmp_path)
    log(clinic)
    path = tmp_path / name
    path.write_bytes(path.read_bytes().replace(b"op1", b"op3", 1))
    changed = path.read_bytes()
    with pytest.raises(TableError, match="changed since the last visit was logged"):
        undo(clinic.visits)
    assert path.read_bytes() == changed


@pytest.mark.parametrize("table", ["visits", "cases"])
def test_undo_refuses_an_sqlite_table_changed_by_hand(tmp_path: Path, table: str) -> None:
    clinic = sqlite_clinic(tmp_path)
    log(clinic)
    with closing(sqlite3.connect(clinic.visits)) as database:
        database.execute(
            f"UPDATE {table} SET operator = 'op3' WHERE case = 'k7f3q9zt'".replace(" case ", ' "case" ')
        )
        database.commit()
    with pytest.raises(TableError, match="changed since the last visit was logged"):
        undo(clinic.visits)


def test_undo_of_an_sqlite_file_packed_anew_takes_back_that_visit_or_none(tmp_path: Path) -> None:
    clinic = sqlite_clinic(tmp_path)
    with closing(sqlite3.connect(clinic.visits)) as database:
        database.execute("DELETE FROM visits WHERE \"case\" = 'k7f3q9zt'")
        database.execute("DELETE FROM cases WHERE \"case\" = 'k7f3q9zt'")
        database.commit()
    log(clinic)
    with closing(sqlite3.connect(clinic.visits)) as database:
        database.execute("VACUUM")
    after = clinic.cells()
    with pytest.raises(TableError, match="changed since"):
        undo(clinic.visits)
    assert clinic.cells() == after


def test_undo_refuses_a_backup_that_is_another(tmp_path: Path) -> None:
    clinic = csv_clinic(tmp_path)
    log(clinic)
    (tmp_path / "cases.csv.bak").write_text("something else")
    with pytest.raises(TableError, match="this backup is missing, or not the one"):
        undo(clinic.visits)


def test_the_backup_is_the_file_before_the_last_visit(clinic: Clinic) -> None:
    log(clinic, case="t9b4k6hn")
    before = clinic.cells()
    log(clinic)
    backups = Clinic(
        *(path.with_name(f"{path.stem}_bak{path.suffix}") for path in (clinic.visits, clinic.cases))
    )
    for path, copy in zip(clinic.files, backups.files, strict=True):
        copy.write_bytes(path.with_name(f"{path.name}.bak").read_bytes())
    assert backups.cells() == before


def test_a_refused_visit_leaves_the_undo_of_the_last_one(clinic: Clinic) -> None:
    before = clinic.cells()
    log(clinic)
    refused(clinic, day=46, energy_mj=60)
    undo(clinic.visits)
    assert clinic.cells() == before


def test_files_keep_their_permissions_and_backups_share_them(clinic: Clinic) -> None:
    for path in clinic.files:
        path.chmod(0o600)
    log(clinic)
    for path in clinic.files:
        for name in (path.name, f"{path.name}.bak"):
            assert stat.S_IMODE(path.with_name(name).stat().st_mode) == 0o600


def test_faults_of_other_cases_do_not_matter(tmp_path: Path) -> None:
    clinic = csv_clinic(tmp_path, CASES.replace(",2.5,", ",99,"), VISITS.replace("0.95", "9.5"))
    log(clinic)
    assert clinic.visits.read_text().endswith("m2c8w5rd,2,45,op1,320,4.2,0.6,few,3,none,no\n")


@pytest.mark.parametrize(
    ("cases", "visits", "what"),
    [
        (CASES, VISITS.replace(",0.2,", ",2,"), "value 2"),
        (
            CASES.replace("2021,1,ongoing", "2021,3,ongoing"),
            VISITS,
            "1 attended sessions in visits, 3 in cases",
        ),
        (CASES, VISITS + "\nm2c8w5rd,9\n", "the row is blank"),
        (CASES, VISITS.replace("k7f3q9zt,2", "Jane Smith,2"), "looks like a person's name"),
        (CASES, VISITS.replace("case,session,", "case,Session,"), "unknown column"),
        (CASES.replace(",ending,", ",outcome,"), VISITS, "the column is missing"),
    ],
)
def test_faults_that_hide_whether_the_visit_is_sound_are_mended_first(
    tmp_path: Path, cases: str, visits: str, what: str
) -> None:
    faults = refused(csv_clinic(tmp_path, cases, visits))
    assert any(what in fault.what for fault in faults)
    assert all(fault.where.endswith(("(visits)", "(cases)")) for fault in faults)


def test_a_column_the_table_lacks_is_refused_only_where_it_is_given(tmp_path: Path) -> None:
    header, *rows = VISITS.splitlines()
    short = "\n".join(",".join(row.split(",")[:7]) for row in (header, *rows)) + "\n"
    clinic = csv_clinic(tmp_path, CASES, short)
    assert {fault.column for fault in refused(clinic)} == {"fragments", "bother", "event"}
    log(clinic, fragments=None, bother=None, event=None)
    clinic.cells()


def test_a_record_begins_with_blank_templates(tmp_path: Path) -> None:
    clinic = csv_clinic(tmp_path, CASES.replace(",1,ongoing", ",0,ongoing"), VISITS.splitlines()[0])
    log(clinic, day=0)
    assert clinic.visits.read_text().splitlines()[1:] == ["m2c8w5rd,1,0,op1,320,4.2,0.6,few,3,none,no"]


@pytest.mark.parametrize("name", ["visits.parquet", "visits.xlsx", "visits"])
def test_other_files_are_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(TableError, match="visits are not logged in files ending in") as error:
        log_visit(tmp_path / name, tmp_path / "cases.csv", case="m2c8w5rd")
    assert "retreat keep" in error.value.faults[0].fix


def test_the_two_tables_must_fit_together(tmp_path: Path) -> None:
    clinic, other = csv_clinic(tmp_path), csv_clinic(tmp_path / "other")
    database = sqlite_clinic(tmp_path / "third")
    for cases, what in (
        (None, "no table of cases"),
        (clinic.visits, "is the table of visits, too"),
        (other.cases, "lies in another folder"),
        (database.cases, "beside the CSV file"),
    ):
        with pytest.raises(TableError, match=what):
            log_visit(clinic.visits, cases, case="m2c8w5rd")
    with pytest.raises(TableError, match="beside the SQLite file"):
        log_visit(database.visits, clinic.cases, case="m2c8w5rd")


def test_files_that_are_not_there_are_told(tmp_path: Path) -> None:
    clinic = csv_clinic(tmp_path)
    for visits, cases in (
        (tmp_path / "no.csv", clinic.cases),
        (clinic.visits, tmp_path / "no.csv"),
        (tmp_path / "no.sqlite", None),
    ):
        with pytest.raises(TableError, match=r"no\.(csv|sqlite)"):
            log_visit(visits, cases, case="m2c8w5rd")
    assert not (tmp_path / "no.sqlite").exists()


def test_who_waits_too_long_for_a_csv_file_is_told(tmp_path: Path) -> None:
    clinic = csv_clinic(tmp_path)
    with FileLock(tmp_path / LOCK):
        (fault,) = refused(clinic, patience=0.05)
    assert fault.what == "another program has been writing to the record for 0.05 s"


def test_who_waits_too_long_for_an_sqlite_file_is_told(tmp_path: Path) -> None:
    clinic = sqlite_clinic(tmp_path)
    with closing(sqlite3.connect(clinic.visits, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        (fault,) = refused(clinic, patience=0.05)
    assert fault.what == "another program has been writing to the file for 0.05 s"


def test_a_disk_that_is_full_leaves_all_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clinic = csv_clinic(tmp_path)

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    (fault,) = refused(clinic)
    assert "No space left on device" in fault.what
    assert {path.name for path in tmp_path.iterdir()} == {"visits.csv", "cases.csv", LOCK}


def test_a_link_is_followed(tmp_path: Path) -> None:
    clinic = csv_clinic(tmp_path / "real")
    link = tmp_path / "visits.csv"
    link.symlink_to(clinic.visits)
    log_visit(link, clinic.cases, **VISIT)
    assert link.is_symlink()
    clinic.cells()
    undo(link)
    assert clinic.visits.read_text() == VISITS
