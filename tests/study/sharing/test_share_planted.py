"""Planted identifiers are all caught, and what is innocent passes but for the false alarms listed here.

All persons, numbers and addresses are invented; 555 numbers, 9xx and 000 groups and example domains are reserved for
such use.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from retreat.study.sharing.crosswalk import Crosswalk
from retreat.study.sharing.deidentified import deidentified
from retreat.study.sharing.leaks import Originals, leaks
from retreat.study.sharing.rule import Rule
from retreat.tables import CASES, VISITS, check_frame, write_table

# names in the forms clinics write them, birth dates, record numbers, telephones, e-mails, postcodes, places
PLANTED = [
    "Jane Smith", "SMITH, Jane", "J. Smith", "Dr Smith", "Smith", "jane_smith", "O'Example", "Mary-Ann McSample",
    "1954-03-12", "12/03/1954", "12.03.54", "3 March 1954", "js19540312",
    "MRN-00412", "H448100", "0044810", "NHS 999 000 1234", "000-12-3456",
    "(555) 555-0123", "+15555550123", "555-0123",
    "jane.smith@example.org", "www.example.org/p/12", "192.0.2.17",
    "ZZ99 3WZ", "00501-1234", "10115 Musterstadt", "12 Example Street", "Springfield",
]  # fmt: skip
PLACES = ("case", "patient", "operator", "site")

INNOCENT = [
    "op1", "OP-3", "operator 4", "Operator B", "A", "A17", "01-002", "S-12", "Laser room 2", "Site North",
    "North Clinic", "unit 3 b", "k7f3q9zt", "clinic_2",
]  # fmt: skip
# told as identifiers though they are none: two capitalised words that are no labels, and numbers with hyphens
FALSE_ALARMS = ["New Wing", "Blue Team Alpha", "Old Theatre", "1200-3400"]


PASS_AS_CODES = ["Smith", "jane_smith", "O'Example", "js19540312", "MRN-00412", "H448100", "Springfield"]


def planted(cases: pd.DataFrame, column: str, values: list[str]) -> pd.DataFrame:
    """The table with one of the values in each of its first rows."""
    table = cases.copy()
    table.loc[range(len(values)), column] = values
    return table


def refused(cases: pd.DataFrame, column: str, values: list[str]) -> list[str]:
    faults = check_frame(planted(cases, column, values), CASES)
    assert not any(value in str(fault) for fault in faults for value in values)
    at = {fault.row - 2 for fault in faults if fault.column == column}
    return [value for place, value in enumerate(values) if place in at]


def left(clinic, column: str, values: list[str], folder: Path) -> str:
    """All of the tables that would leave."""
    cases, visits = planted(clinic.cases, column, values), clinic.visits.copy()
    new = dict(zip(clinic.cases["case"], cases["case"], strict=True))
    operator = dict(zip(clinic.cases["case"], cases["operator"], strict=True))
    visits["operator"] = visits["case"].map(operator)
    visits["case"] = visits["case"].map(new)
    tables = deidentified(cases, visits, Crosswalk(), Rule())
    write_table(tables.cases, CASES, folder / "cases.csv")
    write_table(tables.visits, VISITS, folder / "visits.csv")
    return (folder / "cases.csv").read_text() + (folder / "visits.csv").read_text()


@pytest.mark.parametrize("column", PLACES)
def test_planted_identifiers_are_refused_or_do_not_leave(clinic, column: str, tmp_path: Path):
    caught = refused(clinic.cases, column, PLANTED)
    passed = [value for value in PLANTED if value not in caught]

    everything = left(clinic, column, passed, tmp_path)

    assert len(caught) >= 18
    assert [value for value in passed if value in everything] == []


def test_what_no_form_tells_from_a_code_is_listed_here(clinic):
    # a lone word or a number with letters may be an operator's code: recoding takes it away
    caught = refused(clinic.cases, "operator", PLANTED)

    assert [value for value in PLANTED if value not in caught] == PASS_AS_CODES


@pytest.mark.parametrize("column", ["operator", "site"])
def test_innocent_codes_pass_and_do_not_leave_either(clinic, column: str, tmp_path: Path):
    everything = left(clinic, column, INNOCENT, tmp_path)

    cells = {cell for line in everything.splitlines() for cell in line.split(",")}
    assert not cells & set(INNOCENT)


def test_the_false_alarms_are_these(clinic):
    assert refused(clinic.cases, "operator", INNOCENT + FALSE_ALARMS) == FALSE_ALARMS


@pytest.mark.parametrize("value", PLANTED)
def test_the_last_look_finds_what_slipped_through(value: str):
    # as if recoding had failed: the value stands in the table that is about to leave
    files = {"cases.csv": f'case,operator,site\nc1,"{value}",s\n'.encode()}

    found = leaks(files, Originals.of(keys=[], codes=[value]))

    assert found
    assert all(value not in str(fault) for fault in found)


def test_the_last_look_finds_a_key_in_any_file_and_a_date_in_a_table():
    files = {"README.md": b"about case k7f3q9zt", "cases.csv": b"case,started\nc2,2021-03-04\n"}

    found = leaks(files, Originals.of(keys=["k7f3q9zt"], codes=[]))

    assert [(fault.where, fault.row) for fault in found] == [("README.md", None), ("cases.csv", 2)]


def test_the_last_look_has_no_false_alarm_in_what_is_shared(shared):
    described = ("_dictionary.csv", "_schema.json")  # they hold no value of the clinic, but keys for example
    files = {n: (shared.folder / n).read_bytes() for n in shared.files if not n.endswith(described)}

    assert leaks(files, Originals.of(keys=["k7f3q9zt"], codes=["op1"])) == []


def saved_as(model, folder: Path, **card: object) -> bytes:
    return replace(model, card=replace(model.card, **card)).save(folder / "m.retreat").read_bytes()


@pytest.mark.parametrize("name", ["README.md", "provenance.json", "model.retreat"])
@pytest.mark.parametrize(
    ("original", "what"), [("mol", "a code"), ("Dr9", "a code"), ("k4q", "a key"), ("p7t2", "a key")]
)
def test_short_keys_and_codes_are_sought_in_every_text(clinic, tmp_path: Path, name, original: str, what):
    text = f"fitted with {original.upper()}, and others"
    content = {
        "README.md": text.encode(),
        "provenance.json": json.dumps({"model": {"name": text}}).encode(),
        "model.retreat": saved_as(clinic.model, tmp_path, title=text),
    }[name]
    of = {"keys": [original], "codes": []} if what == "a key" else {"keys": [], "codes": [original]}

    found = leaks({name: content}, Originals.of(**of))

    assert [(fault.where, what in fault.what) for fault in found] == [(name, True)]
    assert all(original.upper() not in str(fault) for fault in found)


@pytest.mark.parametrize("original", ["ring", "core", "123", "300"])
def test_words_of_the_program_and_short_numbers_are_no_leak_of_a_text(clinic, tmp_path: Path, original: str):
    files = {
        "README.md": b"the core model of 300 cases with ring and 123",
        "model.retreat": saved_as(clinic.model, tmp_path),
    }

    assert leaks(files, Originals.of(keys=[original], codes=[original])) == []


@pytest.mark.parametrize(
    "text", ["as Jane Smith counts", "seen by Dr Smith", "born 1954-03-12", "ask jane.smith@example.org"]
)
@pytest.mark.parametrize("name", ["README.md", "provenance.json", "model.retreat"])
def test_what_looks_like_a_person_is_found_in_every_text(clinic, tmp_path: Path, name: str, text: str):
    content = {
        "README.md": text.encode(),
        "provenance.json": json.dumps({"notes": [text]}).encode(),
        "model.retreat": saved_as(clinic.model, tmp_path, notes=(text,)),
    }[name]

    found = leaks({name: content}, Originals.of(keys=[], codes=[]))

    assert ["looks like" in fault.what for fault in found] == [True]
    assert text not in str(found[0])
