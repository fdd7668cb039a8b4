"""The schemas: what the tables hold, told once, without pandas."""

from __future__ import annotations

import math
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st
from table_examples import cell_of

from retreat.errors import TableError
from retreat.tables.cells import NUMBER, fault_of
from retreat.tables.column import Column, allowed_values
from retreat.tables.schema import CASES, VISITS, find, name_of, parse_value


def test_the_schemas_are_known_without_pandas():
    code = (
        "import sys, retreat.tables.schema as s; s.parse_value('size_mm', '2'); "
        "heavy = {'pandas', 'scipy', 'pyarrow', 'sklearn', 'statsmodels', 'pymc', 'matplotlib'}; "
        "print(sorted(heavy & set(sys.modules)))"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"


def test_the_package_gives_the_schema_without_pandas():
    code = (
        "import sys, retreat.tables as t; t.CASES, t.table_schema(t.VISITS); print('pandas' in sys.modules)"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "False"


def test_a_case_table_must_have_seven_columns():
    required = [column.name for column in CASES if column.required]
    assert required == ["case", "patient", "eye", "started", "sessions", "ending", "opacity"]


def test_only_keys_eye_sessions_and_ending_are_never_missing():
    never = [column.name for column in CASES if not column.may_be_missing]
    assert never == ["case", "patient", "eye", "sessions", "ending"]


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [("sessions", 0, 40), ("size_mm", 0.1, 15), ("lens_gap_mm", 0, 25), ("retina_gap_mm", 0, 25),
     ("eccentricity_deg", 0, 60), ("sphere_d", -30, 20), ("axial_mm", 18, 36), ("pupil_mm", 2, 10),
     ("age", 18, 100), ("relief_before", 0, 10), ("relief_after", 0, 10)],
)  # fmt: skip
def test_ranges_of_cases_are_those_of_the_definition(name, low, high):
    column = find(name)
    assert (column.low, column.high) == (low, high)


def test_levels_of_an_ending_are_relieved_stopped_ongoing():
    assert find("ending").levels == ("relieved", "stopped", "ongoing")


def test_the_schema_and_the_features_agree_on_levels_and_ranges():
    from retreat.features import LEVELS, RANGES

    assert {name: find(name).levels for name in LEVELS} == LEVELS
    assert {name: (find(name).low, find(name).high) for name in RANGES} == {
        name: found[:2] for name, found in RANGES.items()
    }


def test_the_name_of_a_strange_schema_is_refused():
    with pytest.raises(ValueError, match="CASES or VISITS"):
        name_of((Column("eye", "category", "which eye", levels=("right",)),))


def test_looking_up_a_misspelt_column_names_the_nearest():
    with pytest.raises(TableError) as caught:
        find("size")
    assert caught.value.faults[0].fix == "write size_mm"


def test_allowed_values_of_an_age_tell_of_the_cap():
    expected = "18 to 89, or 90 for all above years; or not_recorded, not_applicable, unknown"
    assert allowed_values(find("age")) == expected


@pytest.mark.parametrize(
    ("name", "text", "value"),
    [("sessions", "3", 3), ("size_mm", "2", 2.0), ("size_mm", "+2.50", 2.5), ("sphere_d", "-7.25", -7.25),
     ("opacity", "cloud", "cloud"), ("opacity", "unknown", "unknown"), ("started", "2021-02-28", "2021-02-28"),
     ("started", "2021", "2021"), ("age", "90", 90.0), ("case", "k7f3q9zt", "k7f3q9zt"), ("size_mm", "1e1", 10.0)],
)  # fmt: skip
def test_a_value_given_as_text_is_typed(name, text, value):
    parsed = parse_value(name, text)
    assert parsed == value
    assert type(parsed) is type(value)


def test_a_missing_code_of_a_number_is_nan():
    assert math.isnan(parse_value("size_mm", "not_recorded"))


def test_a_column_of_visits_can_be_parsed_too():
    assert parse_value(find("cleared", VISITS), "0.75") == 0.75


@pytest.mark.parametrize(
    ("name", "text", "fix"),
    [
        ("opacity", "Ring ", "write ring"),
        ("opacity", "rings", "write ring"),
        ("opacity", "clowd", "write cloud"),
        ("eye", "R", "write right"),
        ("eye", "OS", "write left"),
        ("cornea", "Myopic ablation", "write myopic_ablation"),
        ("lens", "mono", "write monofocal"),
        ("lens", "None", "write not_recorded"),
        ("pvd", "None", "write none"),
        ("zone", "N/A", "write not_applicable"),
        ("zone", "Not recorded", "write not_recorded"),
        ("opacity", "xqzv", "use one of these words"),
        ("size_mm", "2,5", "write 2.5"),
        ("size_mm", " 2.5", "write 2.5"),
        ("size_mm", "2.5 mm", "write 2.5"),
        ("size_mm", "NaN", "write not_recorded"),
        ("size_mm", "99", "correct it or write not_recorded"),
        ("size_mm", "0", "correct it or write not_recorded"),
        ("size_mm", "1e400", "correct it or write not_recorded"),
        ("size_mm", "inf", "write one number, with a point"),
        ("size_mm", "<1", "write one number, with a point"),
        ("sphere_d", "\u22123.5", "write -3.5"),
        ("sessions", "2.5", "write a whole number"),
        ("sessions", "unknown", "fill it in"),
        ("age", "93", "write 90"),
        ("age", "89.5", "write 90"),
        ("started", "2021-3-4", "write 2021-03-04"),
        ("started", "2021-03-04 00:00:00", "write 2021-03-04"),
        ("started", "04/03/2021", "write year-month-day, or the year 2021"),
        ("started", "2021-02-30", "correct it"),
        ("started", "1989", "write year-month-day or the year"),
        ("started", "2999-01-01", "correct it"),
        ("zone", "", "write not_recorded, not_applicable or unknown"),
        ("zone", "  ", "write not_recorded, not_applicable or unknown"),
        ("eye", "", "fill it in"),
        ("operator", "op 1 ", "write op 1"),
    ],
)
def test_a_wrong_value_is_refused_with_the_likely_fix(name, text, fix):
    with pytest.raises(TableError) as caught:
        parse_value(name, text)
    (fault,) = caught.value.faults
    assert fault.fix == fix
    assert fault.column == name
    assert fault.allowed == allowed_values(find(name))


def test_whole_numbers_with_a_comma_are_read_as_thousands():
    fault = fault_of(find("pulses", VISITS), "1,200")
    assert fault is not None
    assert fault.fix == "write 1200"


def test_a_long_text_is_not_repeated_in_the_error():
    fault = fault_of(find("opacity"), "a long remark about this eye that may hold anything at all")
    assert fault is not None
    assert "remark" not in str(fault)


@given(st.data())
def test_every_allowed_text_is_allowed(data):
    column = data.draw(st.sampled_from([c for c in (*CASES, *VISITS) if c.kind != "key"]))
    assert fault_of(column, data.draw(cell_of(column))) is None


@given(st.from_regex(NUMBER, fullmatch=True))
def test_every_text_of_the_number_form_is_a_number_to_python(text):
    assert not math.isnan(float(text))
