"""The outcome of a check: counts, remarks and one line of verdict; the work a check takes."""

from __future__ import annotations

import random

import numpy as np
import pandas as pd
import pytest
from table_examples import CASE_ROWS, VISIT_ROWS, changed, frame_of

import retreat.tables
from retreat.tables import check_file, check_frame, screening
from retreat.tables.cells import fault_of
from retreat.tables.schema import CASES


def saved(frame: pd.DataFrame, path):
    frame.to_csv(path, index=False)
    return path


def test_a_sound_table_gets_counts_and_one_line(tmp_path):
    result = check_file(saved(frame_of(CASE_ROWS), tmp_path / "cases.csv"))
    assert (result.n_cases, result.n_patients, result.n_visits, result.faults) == (4, 3, None, ())
    assert result.verdict == "Sound: 4 cases of 3 patients, no fault."
    assert result.is_sound


def test_visits_are_counted_too(tmp_path):
    cases = saved(frame_of(CASE_ROWS), tmp_path / "cases.csv")
    result = check_file(cases, saved(frame_of(VISIT_ROWS), tmp_path / "visits.csv"))
    assert result.verdict == "Sound: 4 cases of 3 patients with 7 visits, no fault."


def test_faults_are_counted_in_the_verdict(tmp_path):
    result = check_file(saved(changed(CASE_ROWS, 2, eye="R", opacity="Ring"), tmp_path / "cases.csv"))
    assert [fault.column for fault in result.faults] == ["eye", "opacity"]
    assert result.verdict == "Not usable yet: 2 faults in 4 cases of 3 patients."
    assert not result.is_sound


def test_faults_of_the_visits_say_so(tmp_path):
    cases = saved(frame_of(CASE_ROWS), tmp_path / "cases.csv")
    result = check_file(cases, saved(changed(VISIT_ROWS, 5, day="3"), tmp_path / "visits.csv"))
    (fault,) = result.faults
    assert (fault.where, fault.column, fault.row) == ("day (visits)", "day", 5)


def test_visits_are_held_against_sound_cases(tmp_path):
    cases = saved(changed(CASE_ROWS, 2, sessions="3"), tmp_path / "cases.csv")
    result = check_file(cases, saved(frame_of(VISIT_ROWS), tmp_path / "visits.csv"))
    (fault,) = result.faults
    assert fault.what == "case k7f3q9zt has 2 attended sessions in visits, 3 in cases"
    assert result.n_visits is None


def test_visits_wait_for_sound_cases(tmp_path):
    cases = saved(changed(CASE_ROWS, 2, eye="R"), tmp_path / "cases.csv")
    result = check_file(cases, saved(changed(VISIT_ROWS, 5, case="zz9plural"), tmp_path / "visits.csv"))
    assert [fault.column for fault in result.faults] == ["eye"]
    assert "visits will be held against the cases once the cases have no fault" in result.notes


@pytest.mark.parametrize("content", [None, "", "a,b\n1,2\n"])
def test_a_file_that_is_no_case_table_gets_a_verdict_too(tmp_path, content):
    path = tmp_path / "cases.csv"
    if content is not None:
        path.write_text(content)
    result = check_file(path)
    assert result.n_cases == 0
    assert len(result.faults) == 1
    assert result.verdict == "Not usable: cases.csv cannot be read as a case table."


def test_missing_shares_are_noted_but_not_what_does_not_apply(tmp_path):
    notes = check_file(saved(frame_of(CASE_ROWS), tmp_path / "cases.csv")).notes
    assert "size_mm: 25% missing (1 unknown of 4)" in notes
    assert "stop_reason: 25% missing (1 not_recorded of 4)" in notes
    assert "lens: not in the file, taken as not_recorded" in notes
    assert not [note for note in notes if note.startswith("sessions")]


def test_invented_data_are_noted(tmp_path):
    notes = check_file(saved(changed(CASE_ROWS, 2, site="invented_1"), tmp_path / "cases.csv")).notes
    assert "site: these data are invented and must never be used with a patient" in notes


def test_a_table_without_an_end_is_noted(tmp_path):
    frame = frame_of(CASE_ROWS).iloc[2:]
    notes = check_file(saved(frame, tmp_path / "cases.csv")).notes
    assert "ending: no case has ended yet, so no model can be fitted" in notes


def large_table(n: int) -> pd.DataFrame:
    draw, keys = np.random.default_rng(1), random.Random(1)
    random_keys = ["".join(keys.choices("0123456789abcdef", k=12)) for _ in range(2 * n)]
    ending = draw.choice(["relieved", "stopped", "ongoing"], n)
    number = np.char.mod("%.2f", draw.uniform(2, 8, n)).astype(object)
    return pd.DataFrame({
        "case": random_keys[:n],
        "patient": random_keys[n:],
        "eye": draw.choice(["right", "left"], n),
        "started": draw.integers(2010, 2021, n).astype(str),
        "sessions": draw.integers(1, 9, n).astype(str),
        "ending": ending,
        "stop_reason": np.where(ending == "stopped", "choice", "not_applicable"),
        "opacity": draw.choice(["ring", "strand", "cloud", "sheet"], n),
        "size_mm": number,
        "pupil_mm": number,
        "relief_before": number,
        "cornea": draw.choice(["none", "myopic_ablation"], n),
    })  # fmt: skip


def test_a_sound_table_is_checked_without_looking_at_each_cell(monkeypatch):
    looked_at = []

    def judged(column, text):
        looked_at.append(text)
        return fault_of(column, text)

    monkeypatch.setattr(screening, "fault_of", judged)
    frame = large_table(5_000)
    assert check_frame(frame, CASES) == ()
    # each distinct word or year once, and keys without a letter; not 60,000 cells
    assert len(looked_at) < 200


def test_every_faulty_cell_of_a_large_table_is_told():
    frame = large_table(2_000).assign(eye="R", opacity="Ring")
    assert len(check_frame(frame, CASES)) == 4_000


def test_the_room_has_no_other_names():
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        retreat.tables.nonsense  # noqa: B018


@pytest.mark.parametrize("name", retreat.tables.__all__)
def test_every_public_name_is_there(name):
    assert getattr(retreat.tables, name) is not None
