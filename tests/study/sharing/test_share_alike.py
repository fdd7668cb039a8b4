"""Patients look alike in what others may know: at least k of each combination, whatever the table."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from retreat.errors import TableError
from retreat.study.sharing.alike import grouped_by_eyes, shown_columns, smallest_group, units_of
from retreat.study.sharing.rule import Rule


def made(rows: list[tuple[str, str, str, str, float, str]]) -> pd.DataFrame:
    names = ["patient", "eye", "cornea", "lens", "age", "started"]
    table = pd.DataFrame(rows, columns=names).assign(case=[f"c{i:03d}" for i in range(len(rows))])
    return table.astype({"age": float})


def shown(table: pd.DataFrame, rule: Rule) -> pd.DataFrame:
    persons = table["patient"].tolist()
    groups, alone = grouped_by_eyes(units_of(table, persons), table["eye"].tolist(), rule)
    found = table.copy()
    for row in alone:
        found.loc[row, "patient"] = f"alone{row}"
    for column in shown_columns(table, groups, rule):
        values = [column.values[row] for row in range(len(table))]
        found[column.name] = [
            None if v is None else str(int(v)) if isinstance(v, float) else v for v in values
        ]
    return found.assign(person=persons)


def fewest(found: pd.DataFrame, rule: Rule) -> int:
    """By brute force: persons of each combination of all that a patient shows."""
    combinations: dict[tuple[object, ...], set[str]] = {}
    for _, rows in found.groupby("patient"):
        told = sorted(tuple(map(str, row)) for row in rows[["eye", *rule.known]].to_numpy().tolist())
        combinations.setdefault(tuple(told), set()).add(rows["person"].iloc[0])
    return min(len(persons) for persons in combinations.values())


@st.composite
def tables(draw: st.DrawFn) -> pd.DataFrame:
    n = draw(st.integers(30, 70))
    rng = np.random.default_rng(draw(st.integers(0, 10**6)))
    rows = []
    for i in range(n):
        eyes = [["right"], ["left"], ["right", "left"], ["right", "right", "left"]][
            rng.choice(4, p=[0.45, 0.45, 0.07, 0.03])
        ]
        cornea = str(rng.choice(["none", "myopic_ablation", "unknown"], p=[0.8, 0.15, 0.05]))
        for eye in eyes:
            lens = str(rng.choice(["natural", "monofocal", "multifocal"], p=[0.7, 0.25, 0.05]))
            age = float(rng.integers(30, 90)) if rng.random() < 0.95 else np.nan
            year = str(rng.integers(2015, 2023)) if rng.random() < 0.95 else "not_applicable"
            rows.append((f"p{i:03d}", eye, cornea, lens, age, year))
    return made(rows)


@settings(max_examples=15, deadline=None)
@given(tables(), st.integers(2, 6), st.permutations(["cornea", "lens", "age", "started"]))
def test_every_combination_is_that_of_at_least_k_patients(table: pd.DataFrame, k: int, known: list[str]):
    rule = Rule(k, tuple(known))

    found = shown(table, rule)

    assert fewest(found, rule) >= k
    assert smallest_group(found, found["person"].tolist(), rule) == fewest(found, rule)


@settings(max_examples=15, deadline=None)
@given(tables())
def test_words_are_told_as_they_are_or_not_at_all(table: pd.DataFrame):
    found = shown(table, Rule(4, ("cornea", "lens", "age", "started")))

    for name in ("cornea", "lens"):
        told = found[name].notna()
        assert (found.loc[told, name] == table.loc[told, name]).all()


@settings(max_examples=15, deadline=None)
@given(tables(), st.randoms(use_true_random=False))
def test_the_order_of_the_rows_does_not_matter(table: pd.DataFrame, chance):
    rule = Rule(4, ("cornea", "lens", "age", "started"))
    order = list(range(len(table)))
    chance.shuffle(order)

    found = shown(table, rule).set_index("case").drop(columns="patient")
    mixed = shown(table.iloc[order].reset_index(drop=True), rule).set_index("case").drop(columns="patient")

    pd.testing.assert_frame_equal(found.sort_index(), mixed.sort_index())


def test_numbers_give_way_to_the_one_in_the_middle_of_k_neighbours():
    ages = [40, 41, 43, 50, 51, 52, 55]
    table = made([(f"p{i}", "right", "none", "natural", age, "2020") for i, age in enumerate(ages)])

    found = shown(table, Rule(3, ("age",)))

    # by hand: 40 41 43, then 50 51 52 and the one left over; of an even number the lower middle
    assert found["age"].tolist() == ["41"] * 3 + ["51"] * 4


def test_a_number_goes_where_its_neighbours_are_too_far():
    ages = [20, 45, 70, 60, 61, 62]
    table = made([(f"p{i}", "right", "none", "natural", age, "2020") for i, age in enumerate(ages)])

    found = shown(table, Rule(3, ("age",)))

    # by hand: 20 45 60 lie more than ten years apart, 61 62 70 do not
    assert found["age"].fillna("").tolist() == ["", "", "62", "", "62", "62"]


def test_two_eyes_of_a_patient_are_guarded_together():
    # each eye's lens is common; both together are one patient's alone
    rows = [(f"n{i}", eye, "none", "natural", 60, "2020") for i in range(6) for eye in ("right", "left")]
    rows += [(f"m{i}", eye, "none", "monofocal", 60, "2020") for i in range(6) for eye in ("right", "left")]
    rows += [
        ("odd", "right", "none", "natural", 60, "2020"),
        ("odd", "left", "none", "monofocal", 60, "2020"),
    ]
    rule = Rule(5, ("lens",))

    found = shown(made(rows), rule)

    assert found.loc[found["person"] == "odd", "lens"].isna().all()
    assert fewest(found, rule) >= 5


def test_a_patient_with_a_rare_number_of_cases_comes_apart():
    rows = [(f"r{i}", "right", "none", "natural", 60, "2020") for i in range(8)]
    rows += [(f"l{i}", "left", "none", "natural", 60, "2020") for i in range(8)]
    rows += [("three", eye, "none", "natural", 60, "2020") for eye in ("right", "right", "left")]

    found = shown(made(rows), Rule(5, ("lens",)))

    assert Counter(found["patient"]).most_common(1)[0][1] == 1


def test_too_few_patients_are_refused():
    table = made([(f"p{i}", "right", "none", "natural", 60, "2020") for i in range(4)])

    with pytest.raises(TableError, match="only 4 patients with a case of one right eye"):
        shown(table, Rule(5, ("lens",)))


@pytest.mark.parametrize(
    ("k", "known", "what"),
    [
        (1, ("age",), "2 to 100"),
        (5, ("size_mm",), "size_mm"),
        (5, ("age", "age"), "twice"),
        (True, (), "True"),
    ],
)
def test_a_rule_out_of_range_is_refused(k: int, known: tuple[str, ...], what: str):
    with pytest.raises(TableError, match=what):
        Rule(k, known)


@pytest.mark.parametrize("n_missing", [0, 2, 9])
def test_no_single_known_word_stands_behind_what_is_hidden(n_missing):
    lens = ["multifocal"] * 3 + ["not_recorded"] * n_missing + ["natural"] * 30
    table = made([(f"p{i:02d}", "right", "none", word, 60.0, "2020") for i, word in enumerate(lens)])

    found = shown(table, Rule(5, ("lens",)))

    hidden = table.loc[found["lens"].isna(), "lens"]
    assert set(hidden) - {"not_recorded"} == {"multifocal", "natural"}
    assert len(hidden) == max(5, 3 + n_missing + 1)
