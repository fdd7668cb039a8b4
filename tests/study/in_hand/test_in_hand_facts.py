"""Counts in sentences: what is not shown cannot be worked out from the rest."""

from __future__ import annotations

import re
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from retreat.study.in_hand.facts import cases_words, parts_words

NAMES = ("relieved", "stopped", "ongoing")


def read(words, total):
    """What a reader can know: the parts shown, the names of the others, and what is left for these."""
    known, hidden = {}, []
    for piece in words.split(", "):
        shown = re.fullmatch(r"(\d+) (\w+)", piece)
        if shown:
            known[shown[2]] = int(shown[1])
        else:
            hidden.append(re.fullmatch(r"(\w+) not shown", piece)[1])
    return known, hidden, total - sum(known.values())


def possible(n_hidden, left):
    """All whole numbers that hidden parts could be."""
    return [
        (*some, left - sum(some))
        for some in product(range(left + 1), repeat=n_hidden - 1)
        if sum(some) <= left
    ]


@given(
    parts=st.tuples(*[st.one_of(st.integers(0, 14), st.integers(0, 40))] * 3).filter(lambda n: sum(n) >= 11)
)
@settings(max_examples=150, deadline=None)
def test_every_part_not_shown_could_be_small_or_large(parts):
    known, hidden, left = read(parts_words(dict(zip(NAMES, parts, strict=True))), sum(parts))
    assert not any(0 < n < 11 for n in known.values())
    assert bool(hidden) == any(0 < n < 11 for n in parts)
    if hidden:
        tables = possible(len(hidden), left)
        for column in zip(*tables, strict=True):
            assert min(column) <= 1
            assert max(column) >= 11


def test_parts_that_had_one_solution_are_no_longer_told():
    words = parts_words({"relieved": 80, "stopped": 1, "ongoing": 11})
    assert words == "relieved not shown, stopped not shown, ongoing not shown"


def test_two_small_parts_take_a_third_with_them():
    assert parts_words({"relieved": 80, "stopped": 10, "ongoing": 10}).count("not shown") == 3


@pytest.mark.parametrize(("cases", "patients"), [(103, 100), (9, 9), (12, 10), (110, 100)])
def test_few_patients_or_few_more_cases_than_patients_are_not_told(cases, patients):
    words = cases_words(cases, patients)
    assert str(patients) not in words.replace(str(cases), "")
    assert "number not shown" in words


@pytest.mark.parametrize(("cases", "patients"), [(100, 100), (111, 100)])
def test_other_numbers_of_patients_are_told(cases, patients):
    assert cases_words(cases, patients) == f"{cases} cases of {patients} patients"
