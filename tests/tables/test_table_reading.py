"""Reading tables: what comes in, how it is typed, and what bad files get."""

from __future__ import annotations

import math
from pathlib import Path

import pandas as pd
import pytest
from table_examples import CASE_ROWS, VISIT_ROWS, changed, frame_of

import retreat
from retreat.errors import TableError
from retreat.tables import as_cases, as_visits, check_frame, read_cases, read_visits
from retreat.tables.schema import CASES, VISITS


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path


def written(folder: Path, content: bytes | str, name: str = "cases.csv") -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def text_of(rows: tuple[str, ...] = CASE_ROWS) -> str:
    return "\n".join(rows) + "\n"


def faults_of(path: Path, reader=read_cases):
    with pytest.raises(TableError) as caught:
        reader(path)
    return caught.value.faults


def only_fault_of(path: Path, reader=read_cases):
    (fault,) = faults_of(path, reader)
    return fault


# what a sound file becomes


def test_the_package_itself_reads_cases(folder):
    assert len(retreat.read_cases(written(folder, text_of()))) == 4


def test_numbers_are_floats_with_nan_for_each_missing_code(folder):
    cases = read_cases(written(folder, text_of()))
    assert cases["size_mm"].tolist()[::2] == [2.5, 4.0]
    assert math.isnan(cases.loc[1, "size_mm"])
    assert cases["size_mm"].dtype == "float64"


def test_sessions_are_whole_numbers(folder):
    sessions = read_cases(written(folder, text_of()))["sessions"]
    assert sessions.tolist() == [2, 1, 3, 0]
    assert sessions.dtype == "int64"


def test_categories_keep_their_missing_codes_as_words(folder):
    reasons = read_cases(written(folder, text_of()))["stop_reason"]
    assert reasons.tolist() == ["not_applicable", "no_benefit", "not_applicable", "not_recorded"]
    assert reasons.dtype == "str"


def test_the_start_stays_text(folder):
    assert read_cases(written(folder, text_of()))["started"].tolist() == [
        "2021-03-04",
        "2021",
        "2022",
        "2023-11-30",
    ]


def test_the_frame_has_every_column_in_the_order_of_the_schema(folder):
    assert list(read_cases(written(folder, text_of())).columns) == [column.name for column in CASES]


def test_rows_are_counted_from_zero(folder):
    assert read_cases(written(folder, text_of())).index.equals(pd.RangeIndex(4))


def test_an_absent_column_is_not_recorded_and_said_so(folder):
    cases = read_cases(written(folder, text_of()))
    assert cases["lens"].tolist() == ["not_recorded"] * 4
    assert cases["pupil_mm"].isna().all()
    assert cases.attrs["absent"] == [
        "opacities", "zone", "eccentricity_deg", "cornea", "lens", "sphere_d", "pupil_mm", "pvd",
        "relief_before", "relief_after",
    ]  # fmt: skip
    assert cases.attrs["missing"]["lens"] == {"not_recorded": 4}


def test_missing_codes_are_counted_by_column(folder):
    missing = read_cases(written(folder, text_of())).attrs["missing"]
    assert missing["size_mm"] == {"unknown": 1}
    assert missing["retina_gap_mm"] == {"not_recorded": 1}
    assert missing["stop_reason"] == {"not_recorded": 1, "not_applicable": 2}
    assert "sessions" not in missing


@pytest.mark.parametrize(("site", "invented"), [("invented_north", True), ("s1", False)])
def test_invented_sites_mark_the_table(site, invented):
    assert as_cases(changed(CASE_ROWS, 3, site=site)).attrs["invented"] is invented


def test_the_word_none_is_a_level_and_no_gap(folder):
    rows = tuple(row + (",pvd" if place == 0 else ",none") for place, row in enumerate(CASE_ROWS))
    assert read_cases(written(folder, text_of(rows)))["pvd"].tolist() == ["none"] * 4


def test_visits_are_typed_alike(folder):
    visits = read_visits(written(folder, text_of(VISIT_ROWS), "visits.csv"))
    assert visits["session"].dtype == "int64"
    assert visits["day"].tolist() == [0, 30, 44, 0, 0, 28, 60]
    assert visits["pulses"].isna().tolist() == [False, True, False, False, False, False, True]
    assert visits.attrs["missing"]["pulses"] == {"not_applicable": 1, "unknown": 1}


def test_visits_held_against_their_cases_pass():
    cases = as_cases(changed(CASE_ROWS, 2, site="invented_1"))
    visits = as_visits(frame_of(VISIT_ROWS), cases)
    assert len(visits) == 7
    assert visits.attrs["invented"] is True


# forms of file


def sound(folder: Path) -> pd.DataFrame:
    return read_cases(written(folder, text_of(), "plain.csv"))


@pytest.mark.parametrize("separator", [";", "\t"])
def test_other_separators_are_told_from_the_header(folder, separator):
    path = written(folder, text_of().replace(",", separator))
    pd.testing.assert_frame_equal(read_cases(path), sound(folder))


def test_decimal_commas_get_a_fault_each_with_the_point(folder):
    content = text_of().replace(",", ";").replace("2.5;8.2;8.2", "2,5;8,2;8.2")
    assert [(fault.row, fault.column, fault.fix) for fault in faults_of(written(folder, content))] == [
        (2, "size_mm", "write 2.5"),
        (2, "lens_gap_mm", "write 8.2"),
    ]


def test_a_decimal_comma_that_splits_a_row_is_hinted_at(folder):
    fault = only_fault_of(written(folder, text_of().replace("2.5,8.2", "2,5,8.2")))
    assert (fault.row, fault.what) == (2, "the row has 16 cells")
    assert "a comma inside a cell (2,5) splits it" in fault.fix


def test_a_byte_order_mark_and_windows_line_ends_are_accepted(folder):
    path = written(folder, b"\xef\xbb\xbf" + text_of().replace("\n", "\r\n").encode())
    pd.testing.assert_frame_equal(read_cases(path), sound(folder))


def test_empty_rows_and_columns_at_the_end_are_left_out(folder):
    content = "\n".join(row + ",," for row in CASE_ROWS) + "\n,,,,\n\n"
    pd.testing.assert_frame_equal(read_cases(written(folder, content)), sound(folder))


def test_a_workbook_is_read_with_its_dates_and_numbers(folder):
    frame = frame_of(CASE_ROWS)
    frame = frame.astype({"sessions": int}).astype({"size_mm": object, "started": object})
    frame.loc[0, "size_mm"] = 2.5
    frame.loc[0, "started"] = pd.Timestamp("2021-03-04")
    frame.loc[1, "started"] = 2021
    frame.to_excel(folder / "cases.xlsx", index=False)
    pd.testing.assert_frame_equal(read_cases(folder / "cases.xlsx"), sound(folder))


def test_the_sheet_named_for_the_table_is_read(folder):
    with pd.ExcelWriter(folder / "clinic.xlsx") as book:
        frame_of(VISIT_ROWS).to_excel(book, sheet_name="visits", index=False)
        frame_of(CASE_ROWS).to_excel(book, sheet_name="cases", index=False)
    assert len(read_cases(folder / "clinic.xlsx")) == 4
    assert len(read_visits(folder / "clinic.xlsx")) == 7


def test_a_workbook_of_several_sheets_none_named_for_the_table_is_refused(folder):
    with pd.ExcelWriter(folder / "clinic.xlsx") as book:
        frame_of(CASE_ROWS).to_excel(book, sheet_name="Sheet1", index=False)
        frame_of(CASE_ROWS).to_excel(book, sheet_name="Sheet2", index=False)
    assert only_fault_of(folder / "clinic.xlsx").fix == "name the sheet cases"


def test_a_typed_parquet_file_is_read(folder):
    sound(folder).to_parquet(folder / "cases.parquet")
    pd.testing.assert_frame_equal(read_cases(folder / "cases.parquet"), sound(folder))


def test_a_parquet_file_of_text_and_dates_is_read(folder):
    frame = frame_of(CASE_ROWS)
    frame["eye"] = frame["eye"].astype("category")
    frame.to_parquet(folder / "cases.parquet")
    pd.testing.assert_frame_equal(read_cases(folder / "cases.parquet"), sound(folder))


def test_a_null_in_a_text_column_of_a_parquet_file_is_a_blank_cell(folder):
    frame = frame_of(CASE_ROWS)
    frame.loc[2, "opacity"] = None
    frame.to_parquet(folder / "cases.parquet")
    fault = only_fault_of(folder / "cases.parquet")
    assert (fault.row, fault.column, fault.what) == (4, "opacity", "the cell is blank")


# files that cannot be read


def test_a_missing_file_is_said_to_be_missing(folder):
    assert only_fault_of(folder / "none.csv").what == "there is no such file"


@pytest.mark.parametrize("content", ["", "\n \n"])
def test_an_empty_file_is_said_to_be_empty(folder, content):
    assert only_fault_of(written(folder, content)).what == "the file is empty"


def test_a_header_without_rows_is_refused(folder):
    assert "no row below" in only_fault_of(written(folder, CASE_ROWS[0] + "\n")).what


def test_a_folder_in_place_of_a_file_is_refused(folder):
    (folder / "dir.csv").mkdir()
    assert "cannot be read" in only_fault_of(folder / "dir.csv").what


@pytest.mark.parametrize("name", ["cases.xls", "cases.sav", "cases"])
def test_an_unknown_ending_is_refused(folder, name):
    fault = only_fault_of(written(folder, text_of(), name))
    assert "are not read" in fault.what
    assert ".csv" in fault.allowed


def test_a_wrong_encoding_names_byte_and_line(folder):
    path = written(folder, text_of().replace("op2", "opé", 1).encode("latin-1"))
    fault = only_fault_of(path)
    assert fault.what == "byte 0xe9 (line 4, place 23) is not UTF-8"
    assert fault.fix.startswith("save it as CSV UTF-8")


@pytest.mark.parametrize("content", [text_of().encode("utf-16"), text_of().encode("utf-16-le")])
def test_utf_16_is_refused(folder, content):
    assert "UTF-16" in only_fault_of(written(folder, content)).what


@pytest.mark.parametrize("start", [b"PK\x03\x04abc", b"PAR1abc"])
def test_a_workbook_named_csv_is_refused(folder, start):
    assert "under another name" in only_fault_of(written(folder, start)).what


@pytest.mark.parametrize("name", ["cases.parquet", "cases.xlsx"])
def test_a_damaged_file_is_refused(folder, name):
    assert "cannot be opened" in only_fault_of(written(folder, b"PAR1 and then nonsense", name)).what


def test_an_unclosed_quotation_mark_is_refused(folder):
    fault = only_fault_of(written(folder, text_of().replace("ring", '"ring')))
    assert "cannot be split into cells" in fault.what


def test_a_blank_first_row_is_refused(folder):
    assert only_fault_of(written(folder, ",,\n" + text_of())).what == "the first row is blank"


# header


def test_a_missing_column_is_named(folder):
    frame_of(CASE_ROWS).drop(columns=["ending", "opacity"]).to_csv(folder / "cases.csv", index=False)
    faults = faults_of(folder / "cases.csv")
    assert [(fault.column, fault.what) for fault in faults] == [
        ("ending", "the column is missing"),
        ("opacity", "the column is missing"),
    ]


def test_a_doubled_column_is_named(folder):
    rows = tuple(row + (",eye" if place == 0 else ",left") for place, row in enumerate(CASE_ROWS))
    fault = only_fault_of(written(folder, text_of(rows)))
    assert (fault.row, fault.column, fault.what) == (1, "eye", "the column stands twice")


def test_a_doubled_column_of_a_frame_is_named():
    frame = frame_of(CASE_ROWS)
    doubled = pd.concat([frame, frame[["eye"]]], axis=1)
    assert [fault.what for fault in check_frame(doubled, CASES)] == ["the column stands twice"]


def test_a_misspelt_column_gets_one_fault_with_its_name(folder):
    fault = only_fault_of(written(folder, text_of().replace("opacity", "Opacity ", 1)))
    assert (fault.column, fault.fix) == ("Opacity ", "rename it to opacity")


def test_an_unknown_column_is_refused(folder):
    fault = only_fault_of(written(folder, text_of().replace("axial_mm", "remark", 1)))
    assert fault.what == "unknown column"
    assert "may carry a person's data" in fault.fix


def test_a_column_of_birth_dates_is_refused(folder):
    fault = only_fault_of(written(folder, text_of().replace("axial_mm", "DOB", 1)))
    assert fault.what == "the column seems to hold a birth date"


def test_a_column_without_a_name_is_refused(folder):
    fault = only_fault_of(written(folder, text_of().replace("axial_mm", "", 1)))
    assert (fault.where, fault.what) == ("column 14", "the column has no name")


def test_a_file_without_header_is_refused_and_its_cells_not_repeated(folder):
    fault = only_fault_of(written(folder, "Jane Smith,1954-03-12\n" * 2))
    assert fault.what == "no column of a cases table in the first row"
    assert "Smith" not in str(fault)


def test_a_visit_table_in_place_of_cases_is_told(folder):
    fault = only_fault_of(written(folder, text_of(VISIT_ROWS)))
    assert fault.what == "these are the columns of a visits table"


# rows


def test_ragged_rows_are_faults_beside_those_of_the_other_rows(folder):
    lines = [*CASE_ROWS[:2], CASE_ROWS[2].replace(",5,", ",5,5,"), "", CASE_ROWS[3].replace("cloud", "clowd")]
    faults = faults_of(written(folder, "\n".join(lines)))
    assert [(fault.row, fault.what) for fault in faults] == [
        (3, "the row has 16 cells"),
        (4, "the row is blank"),
        (5, "value 'clowd'"),
    ]


def test_a_short_row_is_a_fault(folder):
    fault = only_fault_of(written(folder, text_of().replace(",ring,", ",")))
    assert (fault.row, fault.what, fault.allowed) == (2, "the row has 14 cells", "15 cells, as the header")


def test_a_cell_with_a_line_break_counts_as_one_row(folder):
    lines = [*CASE_ROWS[:2], CASE_ROWS[2].replace("op1", '"op\n1"'), CASE_ROWS[3].replace("cloud", "clowd")]
    faults = faults_of(written(folder, "\n".join(lines)))
    assert [fault.row for fault in faults] == [3, 4]


def test_every_fault_is_told_at_once(folder):
    content = text_of().replace("right,op1", "R,op1").replace("2.5,8.2", "99,8.2").replace("cloud", "")
    faults = faults_of(written(folder, content))
    assert [(fault.row, fault.column, fault.value) for fault in faults] == [
        (2, "eye", "R"),
        (2, "size_mm", "99"),
        (4, "opacity", ""),
    ]


def test_the_message_of_the_error_holds_every_fault(folder):
    with pytest.raises(TableError) as caught:
        read_cases(written(folder, text_of().replace("right,op1", "R,op1").replace("cloud", "clowd")))
    assert str(caught.value).splitlines() == [
        "row 2, eye: value 'R'; allowed: right, left; to mend: write right",
        "row 4, opacity: value 'clowd'; allowed: ring, strand, cloud, sheet; or not_recorded, not_applicable, "
        "unknown; to mend: write cloud",
    ]


# frames


def test_typing_a_typed_frame_changes_nothing(folder):
    once = sound(folder)
    twice = as_cases(once)
    pd.testing.assert_frame_equal(once, twice)
    assert once.attrs == twice.attrs


def test_a_part_of_a_typed_frame_counts_its_own_missing_values(folder):
    part = as_cases(sound(folder).iloc[[0, 2]])
    assert part.index.equals(pd.RangeIndex(2))
    assert "size_mm" not in part.attrs["missing"]


def test_typing_leaves_its_argument_alone():
    frame = frame_of(CASE_ROWS)
    before = frame.copy(deep=True)
    as_cases(frame)
    pd.testing.assert_frame_equal(frame, before)


def test_a_frame_of_plain_python_values_is_typed():
    frame = frame_of(CASE_ROWS).astype("object")
    frame["sessions"] = [2, 1, 3, 0]
    frame["started"] = pd.Series([2021, 2021, 2022, 2023], dtype="Int64")
    frame["size_mm"] = [2.5, "unknown", 4, 7.25]
    typed = as_cases(frame)
    assert typed["started"].tolist() == ["2021", "2021", "2022", "2023"]
    assert typed["size_mm"].tolist()[2:] == [4.0, 7.25]


def test_whole_years_that_became_floats_are_years():
    frame = frame_of(CASE_ROWS).assign(started=[2021.0, 2021.0, 2022.0, 2023.0])
    assert as_cases(frame)["started"].tolist() == ["2021", "2021", "2022", "2023"]


def test_nan_in_a_column_that_is_never_missing_is_a_blank_cell():
    frame = frame_of(CASE_ROWS).assign(sessions=[2.0, 1.0, math.nan, 0.0])
    (fault,) = check_frame(frame, CASES)
    assert (fault.row, fault.column, fault.what) == (4, "sessions", "the cell is blank")


def test_a_number_out_of_range_in_a_numeric_column_is_a_fault():
    frame = frame_of(CASE_ROWS).assign(size_mm=[2.5, math.nan, math.inf, 99.0])
    assert [(fault.row, fault.value) for fault in check_frame(frame, CASES)] == [(4, "inf"), (5, "99")]


@pytest.mark.parametrize("as_typed", [str, float])
@pytest.mark.parametrize(
    ("column", "value", "is_sound"),
    [("size_mm", 0.1, True), ("size_mm", 0.09, False), ("size_mm", 15, True), ("size_mm", 15.01, False),
     ("sphere_d", -30, True), ("sphere_d", -30.25, False), ("sphere_d", 20, True), ("sphere_d", 20.25, False),
     ("sessions", 40, True), ("sessions", 41, False), ("sessions", 1.5, False), ("sessions", -1, False),
     ("age", 18, True), ("age", 17.9, False), ("age", 89, True), ("age", 89.5, False), ("age", 90, True),
     ("age", 91, False), ("relief_after", 0, True), ("relief_after", 10, True), ("relief_after", 10.5, False)],
)  # fmt: skip
def test_a_number_at_the_end_of_its_range_is_kept_and_one_beyond_is_a_fault(
    column, value, is_sound, as_typed
):
    frame = frame_of(CASE_ROWS[:2]).assign(**{column: [as_typed(value)]})
    faults = check_frame(frame, CASES)
    assert [(fault.row, fault.column) for fault in faults] == ([] if is_sound else [(2, column)])
    if is_sound:
        assert as_cases(frame).loc[0, column] == value


def test_a_frame_without_rows_is_refused():
    with pytest.raises(TableError, match="no rows"):
        as_cases(frame_of(CASE_ROWS).iloc[:0])
    assert len(check_frame(frame_of(VISIT_ROWS).iloc[:0], VISITS)) == 1
