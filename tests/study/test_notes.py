"""Notes beside the tables: what a table shows is told, what it hides is told by no word of its size."""

from __future__ import annotations

import pandas as pd
import pytest

from retreat.study.in_hand.facts import hidden_words, notes_words
from retreat.study.notes import Notes

FILLED = "gaps filled 2 times: age in fewer than 11 cases, size_mm in 15 cases"


def notes(
    *, not_begun: int | None, age: int | None, size: int | None = 15, withheld=frozenset(), threshold=11
):
    flow = pd.DataFrame(
        {
            "step": ["left out", "begun", "left out", "left out"],
            "reason": ["not begun", "", "age missing", "size_mm missing"],
            "cases": pd.array([not_begun, 100, age, size], dtype="Int64"),
        }
    )
    first = pd.DataFrame(
        {
            "feature": ["age", "size_mm"],
            "level": "missing",
            "group": "all",
            "unit": "cases",
            "n": pd.array([age, size], dtype="Int64"),
        }
    )
    return Notes({"flow": flow, "baseline": first}, withheld, threshold)


@pytest.mark.parametrize(
    ("note", "hidden", "told"),
    [
        (
            "fewer than 11 cases not yet begun left out",
            "some cases not yet begun left out (how many is hidden)",
            "8 cases not yet begun left out",
        ),
        (
            "8 cases not yet begun were left out",
            "some cases not yet begun were left out (how many is hidden)",
            "8 cases not yet begun were left out",
        ),
        (
            "age was missing in 1 cases, left out",
            "age was missing in some cases, left out (how many is hidden)",
            "age was missing in 1 case, left out",
        ),
        (
            "16 cases with a gap left out: complete cases",
            "some cases with a gap left out: complete cases (how many is hidden)",
            "16 cases with a gap left out: complete cases",
        ),
        (
            FILLED,
            "gaps filled 2 times: age in some cases, size_mm in 15 cases (how many is hidden)",
            "gaps filled 2 times: age in 1 case, size_mm in 15 cases",
        ),
    ],
)
def test_a_count_is_told_as_the_tables_tell_it(note, hidden, told):
    assert notes(not_begun=None, age=None).told(note) == hidden
    assert notes(not_begun=8, age=1, threshold=1).told(note) == told


def test_a_count_hidden_for_the_sake_of_another_is_hidden_in_the_notes_too():
    told = notes(not_begun=8, age=1, size=None).told("size_mm was missing in 15 cases, left out")
    assert told == "size_mm was missing in some cases, left out (how many is hidden)"


def test_counts_that_no_table_tells_are_hidden_where_small_or_withheld():
    beside = notes(not_begun=8, age=1, withheld=frozenset({214}), threshold=20)
    assert beside.told("priors moved in 214 cases") == "priors moved in some cases (how many is hidden)"
    assert beside.told("priors moved in 19 of 300 cases") == "priors moved in some cases (how many is hidden)"
    assert beside.told("priors moved in 300 cases") == "priors moved in 300 cases"
    assert beside.told("operators are not told apart") == "operators are not told apart"


def test_without_a_table_one_small_count_hides_all_and_no_word_tells_its_size():
    given = ("3 cases not yet begun were left out", "age was missing in 15 cases, left out")
    told = notes_words(given)
    assert told == tuple(map(hidden_words, given))
    assert not any("fewer than" in line or "or more" in line or "(not shown)" in line for line in told)
    assert notes_words(given[1:]) == given[1:]
