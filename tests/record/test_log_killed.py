"""A log killed at every step that writes, and many logs at once: old or new, never torn, nothing lost."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from record_examples import MAKERS, VISIT, Clinic

import retreat
from retreat.journal import JOURNAL, read_settled
from retreat.record import log_visit, undo
from retreat.record.entry import Tables
from retreat.record.sqlite_file import checksum_of
from retreat.record.text_files import locked
from retreat.tables.files import read_begun
from retreat.tables.schema import CASES, VISITS


def forked(job: object, kind: str, folder: Path) -> str:
    """What the script of that job prints."""
    script = Path(__file__).with_name("forked.py")
    paths = os.pathsep.join([str(script.parent), *sys.path])
    run = subprocess.run(
        [sys.executable, "-W", "ignore::DeprecationWarning", str(script), str(job), kind, str(folder)],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": paths, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
    )
    assert run.returncode == 0, run.stderr
    assert run.stderr == ""
    return run.stdout


def seen(clinic: Clinic) -> str:
    """What a reader finds, as one checksum."""
    return checksum_of(Tables(read_begun(clinic.cases, CASES), read_begun(clinic.visits, VISITS)))


def clinic_in(kind: str, folder: Path) -> Clinic:
    names = {"csv": ("visits.csv", "cases.csv"), "sqlite": ("clinic.sqlite", "clinic.sqlite")}[kind]
    return Clinic(*(folder / name for name in names))


def is_used_as_ever(clinic: Clinic) -> None:
    """Log a visit of another case, and take it back."""
    before = seen(clinic)
    log_visit(clinic.visits, clinic.cases, case="t9b4k6hn", day=50)
    clinic.cells()
    undo(clinic.visits)
    assert seen(clinic) == before


@pytest.mark.parametrize("kind", MAKERS)
def test_a_log_or_undo_killed_at_any_write_leaves_the_old_tables_or_the_new(
    tmp_path: Path, kind: str
) -> None:
    clinic = MAKERS[kind](tmp_path / "whole")
    states: list[str] = []
    files: dict[str, set[bytes]] = {path.name: set() for path in clinic.files}
    for _ in range(2):
        states.append(seen(clinic))
        for path in clinic.files:
            files[path.name].add(path.read_bytes())
        if len(states) == 1:
            log_visit(clinic.visits, clinic.cases, **VISIT)

    killed = json.loads(forked("kill", kind, tmp_path))

    for folders in killed.values():
        found = [state_after_kill(kind, Path(folder), files) for folder in folders]
        assert set(states) == set(found)
        assert len(found) >= (15 if kind == "csv" else 8)
    for state in states:
        is_used_as_ever(clinic_in(kind, Path(folders[found.index(state)])))


def state_after_kill(kind: str, folder: Path, files: dict[str, set[bytes]]) -> str:
    """What a reader finds after a kill; each file is whole, and the next writer finds the same."""
    clinic = clinic_in(kind, folder)
    state = seen(clinic)
    if kind == "csv":
        assert all(path.read_bytes() in files[path.name] for path in clinic.files), folder.name
        told = [read_settled(path) for path in clinic.files]
        with locked(folder, 1):  # the next who opens the record finishes the change
            assert [path.read_bytes() for path in clinic.files] == told
        assert not (folder / JOURNAL).exists()
    assert seen(clinic) == state
    return state


@pytest.mark.parametrize("kind", MAKERS)
def test_two_and_eight_writers_at_once_lose_nothing(tmp_path: Path, kind: str) -> None:
    forked("2,8", kind, tmp_path)
    for writers in (2, 8):
        clinic = clinic_in(kind, tmp_path / str(writers))
        cases = retreat.read_cases(clinic.cases)
        visits = retreat.read_visits(clinic.visits, cases)
        of_case = visits[visits["case"] == "m2c8w5rd"]
        assert of_case["session"].tolist() == list(range(1, writers + 2))
        assert of_case["pulses"].nunique() == writers + 1
