"""Writing: templates, descriptions, tables; whole or not at all."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from table_examples import CASE_ROWS, VISIT_ROWS, case_tables, changed, frame_of

from retreat.errors import TableError
from retreat.tables import (
    as_cases,
    as_visits,
    dictionary_rows,
    read_cases,
    read_visits,
    table_schema,
    write_atomically,
    write_table,
    write_templates,
)
from retreat.tables.schema import CASES, VISITS


@pytest.mark.parametrize("ending", [".csv", ".parquet"])
def test_cases_written_and_read_are_the_same(tmp_path, ending):
    cases = as_cases(frame_of(CASE_ROWS))
    write_table(cases, CASES, tmp_path / f"out{ending}")
    pd.testing.assert_frame_equal(read_cases(tmp_path / f"out{ending}"), cases)


def test_visits_written_and_read_are_the_same(tmp_path):
    visits = as_visits(frame_of(VISIT_ROWS))
    write_table(visits, VISITS, tmp_path / "visits.csv")
    pd.testing.assert_frame_equal(read_visits(tmp_path / "visits.csv"), visits)


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(frame=case_tables())
def test_writing_then_reading_is_the_identity(tmp_path, frame):
    cases = as_cases(frame)
    write_table(cases, CASES, tmp_path / "cases.csv")
    pd.testing.assert_frame_equal(read_cases(tmp_path / "cases.csv"), cases, check_exact=True)


def test_numbers_survive_to_the_last_bit(tmp_path):
    sizes = np.random.default_rng(4).uniform(0.1, 15, 500)
    keys = [f"k{place}x" for place in range(500)]
    frame = pd.concat([frame_of(CASE_ROWS[:2])] * 500, ignore_index=True)
    frame = frame.drop(columns=["lens_gap_mm", "retina_gap_mm"]).assign(case=keys, size_mm=sizes)
    write_table(as_cases(frame), CASES, tmp_path / "cases.csv")
    np.testing.assert_array_equal(read_cases(tmp_path / "cases.csv")["size_mm"], sizes)


def test_a_missing_code_that_stands_alone_in_its_column_is_written_again(tmp_path):
    write_table(as_cases(frame_of(CASE_ROWS)), CASES, tmp_path / "cases.csv")
    assert read_cases(tmp_path / "cases.csv").attrs["missing"]["size_mm"] == {"unknown": 1}


def test_whole_numbers_are_written_without_a_point(tmp_path):
    write_table(as_visits(frame_of(VISIT_ROWS)), VISITS, tmp_path / "visits.csv")
    line = (tmp_path / "visits.csv").read_text().splitlines()[2]
    assert line == (
        "k7f3q9zt,2,30,not_applicable,not_recorded,not_applicable,not_applicable,not_applicable,not_recorded,"
        "not_applicable,yes"
    )


def test_a_faulty_table_is_not_written(tmp_path):
    with pytest.raises(TableError):
        write_table(changed(CASE_ROWS, 2, eye="R"), CASES, tmp_path / "cases.csv")
    assert list(tmp_path.iterdir()) == []


def test_a_table_is_not_written_under_a_strange_ending(tmp_path):
    with pytest.raises(TableError, match="are not written"):
        write_table(frame_of(CASE_ROWS), CASES, tmp_path / "cases.pkl")
    assert list(tmp_path.iterdir()) == []


# files


def test_a_file_is_replaced_whole(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text("old")
    write_atomically(path, "new ü")
    assert path.read_bytes() == "new ü".encode()
    assert list(tmp_path.iterdir()) == [path]


def test_a_missing_folder_is_said(tmp_path):
    with pytest.raises(TableError, match="cannot be written") as caught:
        write_atomically(tmp_path / "none" / "a.txt", "x")
    assert caught.value.faults[0].fix == "choose another place"


def test_a_file_in_place_of_a_folder_is_said(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(TableError, match="cannot be written"):
        write_atomically(tmp_path / "file" / "a.txt", "x")


@pytest.mark.parametrize("trouble", [KeyboardInterrupt, PermissionError(13, "Permission denied")])
def test_an_interrupted_write_leaves_the_old_file_and_nothing_else(tmp_path, monkeypatch, trouble):
    path = tmp_path / "a.txt"
    path.write_text("old")

    def fail(self: Path, target: Path) -> None:
        raise trouble

    monkeypatch.setattr(Path, "replace", fail)
    with pytest.raises((KeyboardInterrupt, TableError)):
        write_atomically(path, "new")
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


# templates and descriptions


def test_six_files_describe_the_two_tables(tmp_path):
    paths = write_templates(tmp_path / "new" / "folder")
    assert [path.name for path in paths] == [
        "cases_template.csv", "cases_dictionary.csv", "cases_schema.json",
        "visits_template.csv", "visits_dictionary.csv", "visits_schema.json",
    ]  # fmt: skip


def test_a_template_is_a_header_alone(tmp_path):
    template = write_templates(tmp_path)[0].read_text()
    assert template.splitlines() == [",".join(column.name for column in CASES)]


def test_a_filled_template_is_read(tmp_path):
    template = write_templates(tmp_path)[0]
    row = ["k7f3q9zt", "p4x", "right", "op1", "s1", "2021", "2", "relieved", "not_applicable", "ring"]
    template.write_text(
        template.read_text() + ",".join(row + ["not_recorded"] * (len(CASES) - len(row))) + "\n"
    )
    assert read_cases(template).loc[0, "sessions"] == 2


def test_a_template_never_overwrites(tmp_path):
    (tmp_path / "visits_template.csv").write_text("mine")
    with pytest.raises(TableError, match="the file exists"):
        write_templates(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["visits_template.csv"]
    assert (tmp_path / "visits_template.csv").read_text() == "mine"


def test_the_dictionary_has_a_row_for_each_column(tmp_path):
    rows = list(csv.DictReader(io.StringIO(write_templates(tmp_path)[1].read_text())))
    assert [row["column"] for row in rows] == [column.name for column in CASES]
    assert rows == list(dictionary_rows(CASES))
    assert all(row["meaning"] and row["allowed"] for row in rows)


def field_of(name: str) -> dict[str, object]:
    (field,) = [field for field in table_schema(CASES)["fields"] if field["name"] == name]
    return field


def test_the_table_schema_is_json(tmp_path):
    assert json.loads(write_templates(tmp_path)[2].read_text()) == table_schema(CASES)


def test_the_table_schema_labels_the_missing_codes():
    assert table_schema(CASES)["missingValues"] == [
        {"value": "not_recorded", "label": "not recorded"},
        {"value": "not_applicable", "label": "not applicable"},
        {"value": "unknown", "label": "unknown"},
    ]


def test_the_table_schema_tells_ranges_and_units():
    assert field_of("size_mm") == {
        "name": "size_mm",
        "type": "number",
        "description": "longest dimension of the opacity",
        "mandatory": False,
        "unit": "mm",
        "constraints": {"minimum": 0.1, "maximum": 15},
    }
    assert field_of("age")["constraints"] == {"minimum": 18, "maximum": 90}


def test_the_table_schema_tells_categories():
    assert field_of("pvd")["categories"] == ["complete", "partial", "none"]


def test_a_field_that_is_never_missing_is_required():
    eye = field_of("eye")
    assert eye["constraints"] == {"required": True}
    assert eye["missingValues"] == []


def test_the_key_of_cases_is_primary_and_visits_refer_to_it():
    assert table_schema(CASES)["primaryKey"] == ["case"]
    assert "primaryKey" not in table_schema(VISITS)
    assert table_schema(VISITS)["foreignKeys"] == [
        {"fields": ["case"], "reference": {"resource": "cases", "fields": ["case"]}}
    ]
