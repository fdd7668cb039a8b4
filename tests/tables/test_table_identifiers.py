"""The identifier guard, in both directions: what it must find, what it must leave alone."""

from __future__ import annotations

import random
import string
import uuid

import pytest
from table_examples import CASE_ROWS, changed, frame_of

from retreat.tables import SAFE_HARBOR, check_frame
from retreat.tables.column_names import column_suspect
from retreat.tables.identifiers import masked, value_suspect
from retreat.tables.random_keys import run_with_date, suspect_keys
from retreat.tables.schema import CASES, VISITS, find

# All persons, numbers and addresses are invented; 555 numbers, 9xx and 000 groups and example domains are
# reserved for such use.
SUSPECT_VALUES = [
    ("jane.smith@example.org", "an e-mail address"),
    ("https://example.org/p/12", "a web address"),
    ("www.example.org", "a web address"),
    ("clinic.example.com", "a web address"),
    ("192.0.2.17", "a network address"),
    ("1954-03-12", "a date"),
    ("1954-03-12 00:00:00", "a date"),
    ("12/03/1954", "a date"),
    ("12.03.54", "a date"),
    ("3 March 1954", "a date"),
    ("12-Mar-54", "a date"),
    ("March 3, 1954", "a date"),
    ("000-12-3456", "a national number"),
    ("000 12 3456", "a national number"),
    ("999 555 0123", "a national number"),
    ("12 Example Street", "a postal address"),
    ("12 Old Mill Rd", "a postal address"),
    ("P.O. Box 12", "a postal address"),
    ("Musterstraße 12", "a postal address"),
    ("Musterweg 3", "a postal address"),
    ("12, rue des Exemples", "a postal address"),
    ("via Esempio 7", "a postal address"),
    ("Springfield, ZZ 00501", "a postcode"),
    ("00501-1234", "a postcode"),
    ("ZZ99 3WZ", "a postcode"),
    ("10115 Musterstadt", "a postcode"),
    ("1012 AB", "a postcode"),
    ("(555) 555-0123", "a telephone or record number"),
    ("+15555550123", "a telephone or record number"),
    ("555-0123", "a telephone or record number"),
    ("Jane Smith", "a person's name"),
    ("JANE SMITH", "a person's name"),
    ("Smith, Jane", "a person's name"),
    ("J. Smith", "a person's name"),
    ("Smith J", "a person's name"),
    ("Dr Smith", "a person's name"),
    ("dr. smith", "a person's name"),
    ("Jane O'Example", "a person's name"),
    ("Mary-Ann McSample", "a person's name"),
]
HARMLESS_VALUES = [
    "op1", "op_2", "OP-3", "operator 4", "Operator B", "Site North", "North Clinic", "site_1", "invented_north",
    "A", "A17", "p012", "k7f3q9zt", "01-002", "001-012", "S-12", "ring", "not_recorded", "2.5", "-3.25", "2021",
    "Laser room 2", "unit 3 b", "550e8400-e29b-41d4-a716-446655440000",
]  # fmt: skip


@pytest.mark.parametrize(("value", "what"), SUSPECT_VALUES)
def test_a_value_that_tells_of_a_person_is_found(value, what):
    assert value_suspect(value) == what


@pytest.mark.parametrize("value", HARMLESS_VALUES)
def test_a_code_is_left_alone(value):
    assert value_suspect(value) == ""


@pytest.mark.parametrize(
    "column", ["case", "patient", "operator", "site", "opacity", "size_mm", "stop_reason"]
)
@pytest.mark.parametrize(
    "value", ["jane.smith@example.org", "555-555-0123", "Jane Smith", "12 Example Street"]
)
def test_a_suspicious_value_is_refused_in_any_column_and_never_repeated(column, value):
    (fault,) = check_frame(changed(CASE_ROWS, 3, **{column: value}), CASES)
    assert (fault.row, fault.column) == (3, column)
    assert "looks like" in fault.what
    assert value not in str(fault)
    assert fault.value == f"{value[0]}... ({len(value)} characters)"


def test_a_long_number_in_a_number_column_is_masked():
    (fault,) = check_frame(changed(CASE_ROWS, 3, age="5555550123"), CASES)
    assert fault.value == "5... (10 characters)"


def test_a_mask_keeps_one_character_and_the_length():
    assert masked("Smith") == "S... (5 characters)"


SUSPECT_COLUMNS = [
    ("name", "a name"),
    ("Surname", "a name"),
    ("first_name", "a name"),
    ("patientsurname", "a name"),
    ("dob", "a birth date"),
    ("BirthDate", "a birth date"),
    ("date of birth", "a birth date"),
    ("MRN", "a record number"),
    ("record_number", "a record number"),
    ("hospital no", "a record number"),
    ("phone", "a telephone or fax number"),
    ("home-phone", "a telephone or fax number"),
    ("email", "an e-mail address"),
    ("E-Mail", "an e-mail address"),
    ("address", "an address"),
    ("zip", "an address"),
    ("Postcode", "an address"),
    ("SSN", "a national number"),
    ("nhs_no", "a national number"),
    ("insurance", "an insurance or account number"),
    ("licence", "a licence or vehicle number"),
    ("laser_serial", "a device serial number"),
    ("photo", "a picture or body measure"),
]


@pytest.mark.parametrize(("name", "what"), SUSPECT_COLUMNS)
def test_a_column_under_which_a_person_may_be_found_is_refused(name, what):
    assert column_suspect(name) == what
    frame = frame_of(CASE_ROWS).assign(**{name: "x"})
    (fault,) = check_frame(frame, CASES)
    assert fault.what == f"the column seems to hold {what}"
    assert fault.fix == "remove the column"


@pytest.mark.parametrize("name", [column.name for column in (*CASES, *VISITS)])
def test_no_column_of_our_own_is_under_suspicion(name):
    assert column_suspect(name) == ""


# keys


def key_faults(keys: list[str], column: str = "patient") -> list[tuple[int | None, str]]:
    frame = frame_of((CASE_ROWS[0], *[CASE_ROWS[1]] * len(keys)))
    frame["case"] = [f"k{place}x" for place in range(len(keys))]
    frame["stop_reason"] = "not_applicable"
    frame[column] = keys
    return [(fault.row, fault.what.split(" looks like ")[-1]) for fault in check_frame(frame, CASES)]


@pytest.mark.parametrize(
    ("key", "what"),
    [("48151", "a record number"), ("4815162342", "a record number"), ("MRN-00412", "a record number"),
     ("nhs1234567", "a record number"), ("Smith", "a person's name"), ("jane_smith", "a person's name"),
     ("Smith-Jones", "a person's name"), ("Jane Smith", "a person's name"), ("js19540312", "a date"),
     ("JS-12031954", "a date"), ("1954-03-12", "a date"), ("2021-0345", "a telephone or record number"),
     ("000-12-3456", "a national number")],
)  # fmt: skip
def test_a_key_that_was_not_drawn_at_random_is_refused(key, what):
    assert key_faults(["k7f3q9zt", "p2", key, "A17"]) == [(4, what)]


def test_a_column_of_record_numbers_is_refused_in_every_row():
    assert key_faults(["48151", "62342", "10815"]) == [(row, "a record number") for row in (2, 3, 4)]


def test_a_column_of_surnames_is_refused_even_if_all_have_one_length():
    names = [f"{letter}mith" for letter in "ABCDEFGHKLMN"]
    assert len(key_faults(names)) == 12


@pytest.mark.parametrize(
    "keys",
    [["k7f3q9zt", "m2c8w5rd", "t9b4k6hn"], ["A17", "B3", "C101"], ["p001", "p002", "p003"], ["1", "2", "3"],
     ["01-001", "01-002", "02-001"], ["case_1", "case_2", "eye_3"], ["X1Y2", "zzz", "aab"],
     ["patient one", "patient two", "subject 3"], ["P-0001", "P-0002", "Q-0107"]],
)  # fmt: skip
def test_codes_of_any_common_style_pass(keys):
    assert key_faults(keys) == []
    assert key_faults(keys, column="case") == []


ALPHABETS = {
    "hexadecimal of 8": ("0123456789abcdef", 8),
    "hexadecimal of 12": ("0123456789abcdef", 12),
    "lower case and digits of 8": (string.digits + string.ascii_lowercase, 8),
    "upper case and digits of 6": (string.digits + string.ascii_uppercase, 6),
    "all letters and digits of 5": (string.digits + string.ascii_letters, 5),
    "url-safe of 11": (string.digits + string.ascii_letters + "-_", 11),
    "letters of 8": (string.ascii_letters, 8),
}


@pytest.mark.parametrize("style", ALPHABETS)
def test_keys_drawn_at_random_pass_by_the_thousand(style):
    letters, length = ALPHABETS[style]
    draw = random.Random(20)
    keys = sorted({"".join(draw.choices(letters, k=length)) for _ in range(5000)})
    assert suspect_keys(keys) == {}
    assert [key for key in keys if value_suspect(key) and not key.isdecimal()] == []


def test_random_uuids_pass():
    draw = random.Random(21)
    assert suspect_keys([str(uuid.UUID(int=draw.getrandbits(128), version=4)) for _ in range(2000)]) == {}


def test_one_record_number_among_random_keys_is_found():
    draw = random.Random(22)
    keys = ["".join(draw.choices(string.digits + string.ascii_lowercase, k=8)) for _ in range(100)]
    # of 100 such keys 100 (10/36)^8 = 0.0035 have no letter by chance
    assert suspect_keys([*keys, "48151623"]) == {"48151623": "a record number"}


YEARS = [f"20{year}" for year in range(10, 25)]


def test_keys_that_rise_with_the_date_come_from_a_record_system():
    assert run_with_date([f"E{500000 + 37 * place}" for place in range(15)], YEARS)


def test_keys_that_do_not_rise_with_the_date_pass():
    numbers = random.Random(3).sample(range(500000, 600000), 15)
    assert not run_with_date([f"E{number}" for number in numbers], YEARS)


def test_a_plain_count_of_the_cases_passes():
    assert not run_with_date([f"p{place:05d}" for place in range(15)], YEARS)


def test_a_table_whose_keys_rise_with_the_date_is_refused_once():
    frame = frame_of((CASE_ROWS[0], *[CASE_ROWS[1]] * 15))
    frame["case"] = [f"E{500000 + 37 * place}" for place in range(15)]
    frame["patient"] = [f"p{place}" for place in range(15)]
    frame["started"] = YEARS
    (fault,) = check_frame(frame, CASES)
    assert (fault.row, fault.column) == (None, "case")


# the rule behind it


def test_every_class_of_the_safe_harbor_rule_is_accounted_for():
    assert [row.letter for row in SAFE_HARBOR] == list("ABCDEFGHIJKLMNOPQR")
    assert all(row.how for row in SAFE_HARBOR)


@pytest.mark.parametrize(
    ("letter", "example"),
    [("D", "(555) 555-0123"), ("E", "+1 555 555 0123"), ("F", "jane@example.org"), ("G", "000-12-3456"),
     ("N", "https://example.org"), ("O", "192.0.2.17")],
)  # fmt: skip
def test_a_class_said_to_be_refused_is_refused(letter, example):
    (row,) = [row for row in SAFE_HARBOR if row.letter == letter]
    assert row.guard == "refused"
    assert value_suspect(example)


def test_a_class_that_cannot_be_seen_is_said_so():
    assert [row.letter for row in SAFE_HARBOR if row.guard == "cannot"] == ["P", "Q", "R"]


def test_ages_above_89_are_stored_as_90():
    (fault,) = check_frame(changed(CASE_ROWS, 2, age="94"), CASES)
    assert fault.fix == "write 90"
    assert find("age").top_code == 90
