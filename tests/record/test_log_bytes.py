"""CSV files of every habit keep their bytes: a row more, some cells changed, and all back by undo."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from record_examples import CASES, VISIT, VISITS, csv_clinic

from retreat.errors import TableError
from retreat.record import log_visit, undo
from retreat.record.delimited import Delimited
from retreat.tables.files import raw_of_csv
from retreat.tables.schema import VISITS as VISITS_SCHEMA

CELLS = st.text(st.sampled_from("ab1. ,;\t\"'\n\ré|"), max_size=5)


def lines_of(text: str) -> list[list[str]]:
    return [line.split(",") for line in text.splitlines()]


@st.composite
def habits(draw: Any) -> dict[str, Any]:
    """Ways in which a program writes CSV files."""
    return {
        "delimiter": draw(st.sampled_from(",;\t")),
        "lineterminator": draw(st.sampled_from(["\n", "\r\n", "\r"])),
        "quoting": draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])),
    }


def written(lines: list[list[str]], habit: dict[str, Any], *, bom: bool, tail: str) -> str:
    text = io.StringIO(newline="")
    csv.writer(text, **habit).writerows(lines)
    line_end = habit["lineterminator"]
    ends = {"whole": "", "none": "", "blank": line_end + line_end}[tail]
    body = text.getvalue().removesuffix(line_end) if tail == "none" else text.getvalue()
    return "\ufeff" * bom + body + ends


@settings(max_examples=60, deadline=None)
@given(
    cells=st.lists(st.lists(CELLS, min_size=3, max_size=3), min_size=1, max_size=4),
    new=st.lists(CELLS, min_size=2, max_size=2),
    habit=habits(),
    bom=st.booleans(),
    tail=st.sampled_from(["whole", "none", "blank"]),
)
def test_only_the_new_row_and_the_changed_cells_differ(
    cells: list[list[str]], new: list[str], habit: dict[str, Any], bom: bool, tail: str
) -> None:
    lines = [["case", "session", "extra"], *([f"k{i}", *row[1:]] for i, row in enumerate(cells))]
    content = written(lines, habit, bom=bom, tail=tail).encode()
    path = Path("visits.csv")
    sheet = Delimited.of(path, content, VISITS_SCHEMA)

    longer = sheet.with_row({"case": new[0], "session": new[1]})
    changed = sheet.with_cells(2, {"session": new[1]})

    assert rows_in(longer, habit) == [*lines, [*new, "not_recorded"]]
    assert rows_in(changed, habit) == [lines[0], [lines[1][0], new[1], lines[1][2]], *lines[2:]]
    same = common(content, longer)
    assert longer[:same] + longer[len(longer) - (len(content) - same) :] == content


def rows_in(content: bytes, habit: dict[str, Any]) -> list[list[str]]:
    text = io.StringIO(content.decode("utf-8-sig"), newline="")
    found = list(csv.reader(text, delimiter=habit["delimiter"], strict=True))
    while found and not "".join(found[-1]).strip():
        found.pop()
    return found


def common(one: bytes, other: bytes) -> int:
    """How many bytes both begin with."""
    pairs = zip(one, other, strict=False)
    return next((i for i, (a, b) in enumerate(pairs) if a != b), min(len(one), len(other)))


@settings(max_examples=12, deadline=None)
@given(
    order=st.permutations(range(11)),
    habit=habits(),
    bom=st.booleans(),
    tail=st.sampled_from(["whole", "none", "blank"]),
    extra=st.booleans(),
)
def test_logging_then_undo_gives_identical_bytes(
    order: list[int], habit: dict[str, Any], bom: bool, tail: str, extra: bool
) -> None:
    visits = [[line[i] for i in order] + [f"kept {n}"] * extra for n, line in enumerate(lines_of(VISITS))]
    texts = [written(lines, habit, bom=bom, tail=tail) for lines in (lines_of(CASES), visits)]
    with TemporaryDirectory() as folder:
        clinic = csv_clinic(Path(folder), *texts)
        before = [path.read_bytes() for path in clinic.files]
        log_visit(clinic.visits, clinic.cases, **VISIT)
        after = [path.read_bytes() for path in clinic.files]
        assert after[0] != before[0]
        assert rows_in(after[0], habit)[:-1] == visits
        assert raw_of_csv(clinic.visits, after[0], VISITS_SCHEMA).faults == ()
        # one byte of the cases changed: 1 session became 2
        assert [pair for pair in zip(before[1], after[1], strict=True) if pair[0] != pair[1]] == [(49, 50)]
        undo(clinic.visits)
        assert [path.read_bytes() for path in clinic.files] == before


def test_an_unknown_column_gets_a_missing_code(tmp_path: Path) -> None:
    visits = "\n".join(line + (",room" if line.startswith("case") else ",b2") for line in VISITS.splitlines())
    clinic = csv_clinic(tmp_path, CASES, visits + "\n")
    log_visit(clinic.visits, clinic.cases, **VISIT)
    assert clinic.visits.read_text().endswith("few,3,none,no,not_recorded\n")


def test_a_value_is_written_as_it_was_given(tmp_path: Path) -> None:
    clinic = csv_clinic(tmp_path)
    log_visit(clinic.visits, clinic.cases, case="m2c8w5rd", energy_mj="4.20", day="unknown")
    assert (
        clinic.visits.read_text()
        .splitlines()[-1]
        .startswith("m2c8w5rd,2,unknown,not_recorded,not_recorded,4.20,")
    )


@pytest.mark.parametrize("text", ['case,session\nk1,"1"x\n', 'case,session\nk1,"1\n'])
def test_a_file_whose_cells_cannot_be_told_is_refused(tmp_path: Path, text: str) -> None:
    clinic = csv_clinic(tmp_path, CASES, text)
    with pytest.raises(TableError, match="cannot be split into cells"):
        log_visit(clinic.visits, clinic.cases, case="m2c8w5rd")
    assert clinic.visits.read_text() == text
