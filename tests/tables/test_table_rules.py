"""Rules across cells and rows: each broken once, each legal neighbour left alone."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from table_examples import CASE_ROWS, VISIT_ROWS, case_tables, changed, frame_of

from retreat.errors import TableError
from retreat.tables import as_cases, as_visits, check_frame
from retreat.tables.schema import CASES, VISITS


def case_faults(row: int, **cells: str) -> list[tuple[int | None, str | None]]:
    return [(fault.row, fault.column) for fault in check_frame(changed(CASE_ROWS, row, **cells), CASES)]


def visit_faults(frame: pd.DataFrame) -> list[tuple[int | None, str | None]]:
    return [(fault.row, fault.column) for fault in check_frame(frame, VISITS)]


def test_the_example_tables_have_no_fault():
    assert check_frame(frame_of(CASE_ROWS), CASES) == ()
    assert check_frame(frame_of(VISIT_ROWS), VISITS) == ()


# cases


def test_a_key_used_twice_is_a_fault_of_the_later_row():
    (fault,) = check_frame(changed(CASE_ROWS, 4, case="k7f3q9zt"), CASES)
    assert (fault.row, fault.column, fault.what) == (4, "case", "the key k7f3q9zt stands in row 2 already")


@pytest.mark.parametrize("reason", ["not_applicable", "not_recorded"])
def test_a_stopped_case_needs_a_reason(reason):
    assert case_faults(3, stop_reason=reason) == [(3, "stop_reason")]


@pytest.mark.parametrize("reason", ["no_benefit", "side_effect", "surgery", "choice", "unknown"])
def test_a_stopped_case_with_a_reason_or_an_unknown_one_is_sound(reason):
    assert case_faults(3, stop_reason=reason) == []


@pytest.mark.parametrize(("row", "reason"), [(2, "choice"), (4, "surgery")])
def test_only_a_stopped_case_has_a_reason(row, reason):
    assert case_faults(row, stop_reason=reason) == [(row, "stop_reason")]


def test_a_clinic_that_keeps_no_reasons_may_leave_the_column_out():
    frame = frame_of(CASE_ROWS).drop(columns="stop_reason")
    assert check_frame(frame, CASES) == ()
    assert check_frame(as_cases(frame), CASES) == ()


@pytest.mark.parametrize(("row", "ending"), [(2, "relieved"), (3, "stopped")])
def test_an_ended_case_has_had_a_session(row, ending):
    (fault,) = check_frame(changed(CASE_ROWS, row, sessions="0"), CASES)
    assert (fault.row, fault.column) == (row, "sessions")
    assert fault.what == f"a case that is {ending} after 0 sessions"


def test_an_open_case_may_have_had_no_session():
    assert case_faults(4, sessions="0") == []


# The vitreous of an eye of 24.0 mm is 24.0 - 7.6 = 16.4 mm long (lens back at 7.60 mm, value O02); row 2 holds
# gaps of 8.2 mm and an opacity of 2.5 mm, so the two gaps may add to 16.4 - 2.5 - 2.5 = 11.4 up to 18.9 mm.
@pytest.mark.parametrize(
    ("gap", "n_faults"), [("10.6", 0), ("10.8", 1), ("3.3", 0), ("3.1", 1), ("not_recorded", 0), ("25", 1)]
)
def test_gaps_fit_the_axial_length(gap, n_faults):
    assert case_faults(2, retina_gap_mm=gap) == [(2, "retina_gap_mm")] * n_faults


def test_an_opacity_of_unknown_size_leaves_its_gaps_only_the_tolerance():
    assert case_faults(2, size_mm="unknown", retina_gap_mm="5.8") == []
    assert case_faults(2, size_mm="unknown", retina_gap_mm="5.6") == [(2, "retina_gap_mm")]


def test_gaps_without_axial_length_fit_the_longest_eye():
    assert case_faults(4, lens_gap_mm="19", retina_gap_mm="6") == []
    assert case_faults(4, lens_gap_mm="19.5", retina_gap_mm="6") == [(4, "retina_gap_mm")]


def test_a_very_long_eye_may_hold_gaps_beyond_25_mm():
    assert case_faults(2, axial_mm="35", lens_gap_mm="13.5", retina_gap_mm="13.5") == []


def test_one_eye_has_one_open_case():
    (fault,) = check_frame(changed(CASE_ROWS, 5, patient="p012", eye="right"), CASES)
    assert (fault.row, fault.column, fault.what) == (
        5, "ending", "a second ongoing case of this eye; the other is in row 4",
    )  # fmt: skip


def test_the_other_eye_may_be_open_too():
    assert case_faults(5, patient="p012", eye="left") == []


def test_an_eye_may_come_back_after_its_case_has_ended():
    assert case_faults(5, patient="p4x", eye="right") == []


@pytest.mark.parametrize("started", ["1989", "1989-12-31", "2999", "2999-01-01"])
def test_a_case_started_between_1990_and_today(started):
    assert case_faults(2, started=started) == [(2, "started")]


def test_today_is_not_in_the_future():
    assert case_faults(2, started=str(pd.Timestamp.now().date())) == []


def test_a_rule_waits_for_cells_that_are_faulty_themselves():
    assert case_faults(3, ending="stoped", stop_reason="not_applicable") == [(3, "ending")]


# visits


def test_sessions_are_numbered_without_holes():
    frame = frame_of(VISIT_ROWS).drop(index=5)
    assert visit_faults(frame) == [(7, "session")]


def test_sessions_begin_at_1():
    assert visit_faults(frame_of(VISIT_ROWS).drop(index=4)) == [(6, "session")]


def test_a_session_stands_once():
    frame = frame_of(VISIT_ROWS)
    doubled = pd.concat([frame, frame.iloc[[5]]], ignore_index=True)
    assert visit_faults(doubled) == [(9, "session")]


def test_the_order_of_rows_does_not_matter():
    assert visit_faults(frame_of(VISIT_ROWS).iloc[::-1]) == []


def test_the_first_session_is_on_day_0():
    assert visit_faults(changed(VISIT_ROWS, 5, day="3")) == [(5, "day")]


def test_days_do_not_fall():
    assert visit_faults(changed(VISIT_ROWS, 8, day="27")) == [(8, "day")]


def test_two_sessions_on_one_day_are_let_pass():
    assert visit_faults(changed(VISIT_ROWS, 8, day="28")) == []


def test_a_day_is_held_against_the_last_one_known():
    assert visit_faults(changed(VISIT_ROWS, 7, day="unknown")) == []
    frame = changed(VISIT_ROWS, 7, day="unknown")
    frame.loc[4, "day"] = "0"
    frame.loc[6, "day"] = "not_recorded"
    assert visit_faults(frame) == []


@pytest.mark.parametrize("column", ["pulses", "energy_mj", "cleared", "fragments", "bother", "event"])
def test_a_missed_session_has_no_measurement(column):
    value = {"fragments": "few", "event": "none"}.get(column, "1")
    assert visit_faults(changed(VISIT_ROWS, 3, **{column: value})) == [(3, column)]


def test_a_missed_session_is_at_most_the_next():
    assert visit_faults(changed(VISIT_ROWS, 3, session="3")) == []
    assert visit_faults(changed(VISIT_ROWS, 3, session="4")) == [(3, "session")]


def test_a_case_whose_first_booking_was_missed_is_let_pass():
    frame = frame_of(VISIT_ROWS)
    alone = frame.iloc[[1]].assign(case="w3d7j2ps", session="1", day="not_applicable")
    assert visit_faults(pd.concat([frame, alone], ignore_index=True)) == []


def test_numbering_waits_until_every_row_has_its_case():
    assert visit_faults(changed(VISIT_ROWS, 7, case="")) == [(7, "case")]


@pytest.mark.parametrize("cleared", ["1.01", "-0.1"])
def test_the_share_cleared_lies_between_0_and_1(cleared):
    assert visit_faults(changed(VISIT_ROWS, 2, cleared=cleared)) == [(2, "cleared")]


def test_a_falling_share_is_let_pass():
    assert visit_faults(changed(VISIT_ROWS, 7, cleared="0.1")) == []


# visits against cases


def disagreements(cases: pd.DataFrame, visits: pd.DataFrame):
    with pytest.raises(TableError) as caught:
        as_visits(visits, as_cases(cases))
    return [(fault.row, fault.column, fault.what) for fault in caught.value.faults]


def test_a_visit_of_an_unknown_case_is_a_fault():
    found = disagreements(frame_of(CASE_ROWS), changed(VISIT_ROWS, 5, case="zz9plural"))
    assert found[0] == (5, "case", "case zz9plural is not in cases")


def test_attended_visits_agree_with_sessions():
    found = disagreements(changed(CASE_ROWS, 4, sessions="4"), frame_of(VISIT_ROWS))
    assert found == [(8, "session", "case t9b4k6hn has 3 attended sessions in visits, 4 in cases")]


def test_a_case_with_sessions_but_no_visit_is_a_fault_without_row():
    found = disagreements(frame_of(CASE_ROWS), frame_of(VISIT_ROWS).drop(index=3))
    assert found == [(None, "session", "case m2c8w5rd has 0 attended sessions in visits, 1 in cases")]


def test_visits_are_held_against_cases_once_they_are_sound():
    visits = changed(VISIT_ROWS, 5, case="zz9plural", fragments="lots")
    assert [row[:2] for row in disagreements(frame_of(CASE_ROWS), visits)] == [(5, "fragments")]


# laws


@settings(max_examples=20, deadline=None)
@given(case_tables())
def test_every_table_made_to_the_schema_is_sound(frame):
    assert check_frame(frame, CASES) == ()


@settings(max_examples=15, deadline=None)
@given(case_tables())
def test_typing_twice_is_typing_once(frame):
    once = as_cases(frame)
    pd.testing.assert_frame_equal(as_cases(once), once)
    assert as_cases(once).attrs == once.attrs


@settings(max_examples=30, deadline=None)
@given(case_tables(), st.data())
def test_one_spoilt_cell_is_one_fault_in_its_place(frame, data):
    column = data.draw(st.sampled_from(CASES))
    row = data.draw(st.integers(0, len(frame) - 1))
    spoilt = {
        "key": ["", "jane@example.org", "Smith, Jane", "unknown"],
        "text": ["", "555-123-4567", " op1", "1954-03-12"],
        "category": ["", "zzz", "Ring!", "Jane Smith"],
        "integer": ["", "1.5", "-1", "many", "9999999"],
        "number": ["", "abc", "1,5", "9e9", "NaN", "1 mm"],
        "date": ["", "1989-12-31", "12/03/2021", "2021-02-30"],
    }
    frame.loc[row, column.name] = data.draw(st.sampled_from(spoilt[column.kind]))
    faults = check_frame(frame, CASES)
    assert [(fault.row, fault.column) for fault in faults] == [(row + 2, column.name)]


@settings(max_examples=15, deadline=None)
@given(case_tables(), st.randoms())
def test_the_order_of_rows_does_not_matter_to_cases(frame, random):
    order = list(range(len(frame)))
    random.shuffle(order)
    assert check_frame(frame.iloc[order], CASES) == ()
