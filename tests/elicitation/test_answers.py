"""Answers as an operator writes them: what is read, and what is refused with its row, column and remedy."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pytest
from answered import CODING, CORE, HEADER, ROWS, table

from retreat.definitions import read_definition, shipped
from retreat.elicitation.answers import Answers, questions_for, read_answers, template, write_template
from retreat.elicitation.eyes import SHOWN, coded, eyes_to_ask
from retreat.errors import FitError, TableError
from retreat.fitting.prior_draws import stated_coding

REGRESSIONS = [name for name in shipped() if not read_definition(name).strata]


def read(path: Path) -> Answers:
    return read_answers(path, CORE, CODING)


def test_answers_are_read_as_written_with_open_questions_as_not_a_number(tmp_path: Path) -> None:
    found = read(table(tmp_path, *ROWS))

    assert [q.column for q in found.questions] == ["relieved_1", "relieved_2", "relieved_3", "stopped_3"]
    assert found.counts[0].tolist() == [60, 80, 88, 8]
    assert np.isnan(found.counts[4, 3])
    assert found.eyes[1].columns == {"opacity": "strand", "size_mm": 2.0, "zone": "middle", "cornea": "none"}
    assert found.notes == ()


def test_eyes_without_answers_are_left_out_and_counted(tmp_path: Path) -> None:
    found = read(table(tmp_path, "x,ring,1,middle,none,,,,", *ROWS[:2], "", "y,ring,1,middle,none,,,,"))

    assert len(found.eyes) == 2
    assert found.notes == ("2 eyes without answers left out",)


def test_the_other_end_need_not_be_asked_and_columns_may_stand_in_any_order(tmp_path: Path) -> None:
    header = "relieved_3,relieved_2,relieved_1,cornea,zone,size_mm,opacity"
    found = read(
        table(tmp_path, "88,80,60,none,middle,2,ring", "70,60,50,none,middle,2,cloud", header=header)
    )

    assert found.counts[:, :3].tolist() == [[60, 80, 88], [50, 60, 70]]
    assert np.isnan(found.counts[:, 3]).all()
    assert found.eyes[0].name != found.eyes[1].name


BAD = [
    # rows, (row, column, value), words of the fault
    (["a,ring,2,middle,none,60,50,88,8"], (2, "relieved_2", "50"), "60 to 100, since relieved_1 is 60"),
    (["a,ring,2,middle,none,60,80,70,8"], (2, "relieved_3", "70"), "how many are done in all"),
    (["a,ring,2,middle,none,60,80,188,8"], (2, "relieved_3", "188"), "a number from 0 to 100"),
    (["a,ring,2,middle,none,-1,80,88,8"], (2, "relieved_1", "-1"), "a number from 0 to 100"),
    (["a,ring,2,middle,none,60,80,88,13"], (2, "stopped_3", "13"), "0 to 12, since relieved_3 is 88"),
    (["a,ring,2,middle,none,60,80,88,-1"], (2, "stopped_3", "-1"), "a number from 0 to 100"),
    (["a,ring,2,middle,none,most,80,88,8"], (2, "relieved_1", "most"), "digits alone"),
    (["a,ring,2,middle,none,60%,80,88,8"], (2, "relieved_1", "60%"), "digits alone"),
    (["a,ring,2,middle,none,nan,80,88,8"], (2, "relieved_1", "nan"), "digits alone"),
    (["a,ring,2,middle,none,6_0,80,88,8"], (2, "relieved_1", "6_0"), "digits alone"),
    (["a,ring,2,middle,none,60,,88,8"], (2, "relieved_2", ""), "leave all answers of this eye blank"),
    (["a,rng,2,middle,none,60,80,88,8"], (2, "opacity", "rng"), "write ring"),
    (["a,ring,99,middle,none,60,80,88,8"], (2, "size_mm", "99"), "0.1 to 15 mm"),
    (["a,ring,2,,none,60,80,88,8"], (2, "depth", None), "the model core uses depth"),
    (["a,ring,2,middle,unknown,60,80,88,8"], (2, "corneal_surgery", None), "the model core uses"),
    (["a,ring,2,middle,none,60,80,88,8,9"], (2, None, None), "10 cells under 9 columns"),
]


@pytest.mark.parametrize(("rows", "place", "words"), BAD)
def test_a_bad_row_is_refused_with_its_place_and_what_to_do(
    tmp_path: Path, rows: list[str], place: tuple[int, str | None, str | None], words: str
) -> None:
    with pytest.raises(TableError) as refused:
        read(table(tmp_path, *rows, *ROWS[1:]))

    (fault,) = refused.value.faults
    assert (fault.row, fault.column, fault.value) == place
    assert words in str(fault)
    assert fault.allowed
    assert fault.fix


def test_every_fault_of_a_file_is_told_at_once(tmp_path: Path) -> None:
    rows = [rows[0] for rows, *_ in BAD]

    with pytest.raises(TableError) as refused:
        read(table(tmp_path, *rows))

    assert [fault.row for fault in refused.value.faults] == list(range(2, len(BAD) + 2))


@pytest.mark.parametrize("row", ["0,0,0,0", "100,100,100,0", "0,0,0,40", "0,0,100,"])
def test_certainty_of_every_kind_of_eye_is_refused_with_what_to_do(tmp_path: Path, row: str) -> None:
    eyes = [f"{eye.rpartition('none')[0]}none,{row}" for eye in ROWS[:4]]

    with pytest.raises(TableError) as refused:
        read(table(tmp_path, *eyes))

    (fault,) = refused.value.faults
    assert "every answer is" in str(fault)
    assert "one or two if it is rare" in fault.fix


def test_certainty_of_some_kinds_of_eye_is_taken(tmp_path: Path) -> None:
    assert len(read(table(tmp_path, "a,ring,2,middle,none,0,0,0,0", *ROWS[1:2])).eyes) == 2


@pytest.mark.parametrize(
    ("rows", "alike"),
    [
        (["50,75,88,6", "50,75,88,6"], True),
        (["50,75,88,", "50,75,88,6"], True),
        (["50,75,88,", "50,75,88,"], True),
        (["50,75,88,6", "50,75,88,7"], False),
        (["50,75,88,6", "50,76,88,6"], False),
    ],
)
def test_the_same_said_of_every_eye_is_seen(tmp_path: Path, rows: list[str], alike: bool) -> None:
    eyes = ("a,ring,2,middle,none", "b,cloud,2,middle,none")
    found = read(table(tmp_path, *(f"{eye},{row}" for eye, row in zip(eyes, rows, strict=True))))

    assert found.alike is alike


@pytest.mark.parametrize("answered", [0, 1])
def test_one_eye_alone_or_none_is_refused(tmp_path: Path, answered: int) -> None:
    with pytest.raises(TableError, match="at least 2"):
        read(table(tmp_path, *ROWS[:answered]))


@pytest.mark.parametrize(
    ("header", "words"),
    [
        (HEADER.replace(",relieved_2", ""), "relieved_2: the column is missing"),
        (HEADER.replace("zone", "zon"), "zon: unknown column"),
        (HEADER.replace("zone", "size_mm"), "size_mm: a second column of this name"),
        (HEADER.replace("zone", ""), "column 4: a column without a name"),
        (HEADER.replace("zone", "patient"), "patient: unknown column"),
        (HEADER.replace(",", ";"), "columns separated by semicolons"),
    ],
)
def test_a_bad_header_is_refused(tmp_path: Path, header: str, words: str) -> None:
    with pytest.raises(TableError) as refused:
        read(table(tmp_path, *ROWS, header=header))

    assert words in str(refused.value)
    assert all(fault.row == 1 and fault.fix for fault in refused.value.faults)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "the file is empty"),
        (b"\xff\xfe\x00a", "not UTF-8"),
        (b'description,"opa', "no sound CSV"),
        (None, "no such file"),
    ],
)
def test_a_file_that_is_no_table_is_refused(tmp_path: Path, content: bytes | None, words: str) -> None:
    path = tmp_path / "answers.csv"
    if content is not None:
        path.write_bytes(content)

    with pytest.raises(TableError, match=words):
        read(path)


@pytest.mark.parametrize("name", REGRESSIONS)
def test_the_template_asks_of_eyes_that_between_them_tell_of_every_column(name: str) -> None:
    definition = read_definition(name)
    coding = stated_coding(definition)
    X = coded(eyes_to_ask(definition), definition, coding)
    rank = np.linalg.matrix_rank(np.column_stack([np.ones(len(X)), X]))

    # corneal surgery and the mixing of its zones hang on one column of the table
    assert rank >= X.shape[1] + 1 - ("zone_mixing" in definition.features)


@pytest.mark.parametrize("name", REGRESSIONS)
def test_a_template_filled_in_is_read(name: str, tmp_path: Path) -> None:
    definition = read_definition(name)
    rows = list(csv.DictReader(io.StringIO(template(definition))))
    asked = [q.column for q in questions_for(definition) if not q.optional]
    path = tmp_path / "filled.csv"
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, rows[0])
        writer.writeheader()
        writer.writerows(row | dict.fromkeys(asked, "50") for row in rows)

    found = read_answers(path, definition, stated_coding(definition))

    assert [eye.name for eye in found.eyes] == [eye.name for eye in eyes_to_ask(definition)]


def test_a_template_is_written_to_a_new_file_only(tmp_path: Path) -> None:
    path = write_template(CORE, tmp_path / "a.csv")

    with pytest.raises(TableError, match="the file exists"):
        write_template(CORE, path)
    with pytest.raises(FitError, match="has no priors"):
        write_template(read_definition("lifetable"), tmp_path / "b.csv")


@pytest.mark.parametrize("name", REGRESSIONS)
def test_the_eyes_a_report_shows_are_described_to_every_shipped_model(name: str) -> None:
    definition = read_definition(name)

    assert np.isfinite(coded(SHOWN, definition, stated_coding(definition))).all()
