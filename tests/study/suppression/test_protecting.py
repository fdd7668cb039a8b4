"""What is hidden cannot be worked out; the attackers here share no code with the search but the attack itself."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from retreat.errors import TableError
from retreat.study.suppression import adds_up, at_least, hide_small_cells, link, protect, ranges

# many small and zero cells, some large ones
CELL = st.one_of(st.integers(0, 12), st.integers(0, 3), st.integers(0, 60))


@st.composite
def with_margins(draw: st.DrawFn) -> pd.DataFrame:
    rows, columns = draw(st.integers(2, 4)), draw(st.integers(2, 4))
    inside = np.array(draw(st.lists(CELL, min_size=rows * columns, max_size=rows * columns)))
    frame = pd.DataFrame(inside.reshape(rows, columns), columns=[f"c{i}" for i in range(columns)])
    frame["all"] = frame.sum(axis=1)
    frame.index = [f"r{i}" for i in range(rows)]
    frame.loc["all"] = frame.sum(axis=0)
    return frame


def attacked(shown: pd.DataFrame) -> dict[tuple[int, int], tuple[float, float]]:
    """Range of each hidden cell by linear programming from the shown table alone (its polytope has whole corners)."""
    values = shown.astype("Float64").to_numpy(dtype=float, na_value=np.nan)
    n_rows, n_columns = values.shape
    equations, known = [], []
    for r in range(n_rows):
        equations.append(np.zeros(values.shape))
        equations[-1][r, :-1], equations[-1][r, -1] = 1.0, -1.0
        known.append(0.0)
    for c in range(n_columns):
        equations.append(np.zeros(values.shape))
        equations[-1][:-1, c], equations[-1][-1, c] = 1.0, -1.0
        known.append(0.0)
    for r, c in zip(*np.nonzero(~np.isnan(values)), strict=True):
        equations.append(np.zeros(values.shape))
        equations[-1][r, c] = 1.0
        known.append(values[r, c])
    matrix = np.array(equations).reshape(len(equations), -1)
    found = {}
    for r, c in zip(*np.nonzero(np.isnan(values)), strict=True):
        aim = np.zeros(values.size)
        aim[r * n_columns + c] = 1.0
        ends = [linprog(sign * aim, A_eq=matrix, b_eq=known, bounds=(0, 10_000)) for sign in (1.0, -1.0)]
        found[int(r), int(c)] = (ends[0].fun, -ends[1].fun)
    return found


@settings(max_examples=25, deadline=None)
@given(with_margins())
def test_no_hidden_count_can_be_recovered_from_margins(counts):
    shown = hide_small_cells(counts, threshold=11)
    for (r, c), (low, high) in attacked(shown).items():
        assert high - low >= 1 - 1e-6  # not even a count that was hidden only to protect another
        if 0 < counts.iloc[r, c] < 11:
            assert low <= 1 + 1e-6
            assert high >= 11 - 1e-6


@settings(max_examples=12, deadline=None)
@given(with_margins())
def test_what_is_shown_is_true_and_no_small_count_is(counts):
    shown = hide_small_cells(counts, threshold=11)
    there = shown.notna()
    assert (
        (shown.astype("Float64").fillna(-1)[there] == counts.astype("Float64")[there])
        .where(there, True)
        .all(axis=None)
    )
    assert not ((counts > 0) & (counts < 11) & there).any(axis=None)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(0, 9), min_size=3, max_size=4), st.integers(2, 5))
def test_enumeration_of_every_table_finds_a_small_and_a_large_one(parts, threshold):
    counts = {"all": sum(parts), **{f"p{i}": n for i, n in enumerate(parts)}}
    relation = adds_up("all", [f"p{i}" for i in range(len(parts))])
    hidden = protect(link(counts, [relation]), threshold=threshold).hidden
    small = [key for key, n in counts.items() if 0 < n < threshold]
    free = [range(30) if key in hidden else [n] for key, n in counts.items() if key != "all"]
    tables = [
        {"all": sum(inside), **{f"p{i}": n for i, n in enumerate(inside)}}
        for inside in itertools.product(*free)
        if "all" in hidden or sum(inside) == counts["all"]
    ]
    for key in small:
        assert key in hidden
        assert min(table[key] for table in tables) <= 1
        assert max(table[key] for table in tables) >= threshold


@settings(max_examples=20, deadline=None)
@given(st.lists(st.integers(0, 5), min_size=4, max_size=4), st.lists(st.booleans(), min_size=5, max_size=5))
def test_ranges_are_those_of_enumeration(parts, chosen):
    counts = {**dict(zip("abcd", parts, strict=True)), "ab": parts[0] + parts[1], "all": sum(parts)}
    relations = [adds_up("ab", "ab"), adds_up("all", ["ab", "c", "d"])]
    ordered = parts[2] >= parts[3]
    linked = link(counts, [*relations, at_least(["c"], "d")] if ordered else relations)
    hidden = np.array([*chosen, False])  # the total is known, so that all is bounded
    low, high = ranges(linked, hidden)
    a, b, c, d = (grid.ravel() for grid in np.meshgrid(*[np.arange(sum(parts) + 1)] * 4))
    every = np.stack([a, b, c, d, a + b, a + b + c + d], axis=1)
    agreeing = every[(every == linked.values)[:, ~hidden].all(axis=1) & ((c >= d) | (not ordered))]
    assert low.tolist() == agreeing.min(axis=0).tolist()
    assert high.tolist() == agreeing.max(axis=0).tolist()


def test_counts_are_whole_numbers_for_the_attacker_too():
    linked = link({"eyes": 15, "patients": 9}, [at_least(["patients"], "eyes", times=2)])
    low, high = ranges(linked, np.array([False, True]))
    assert low[1] == 8  # 7.5 patients would do for fractions
    assert high[1] == np.inf


def test_what_is_not_needed_in_the_end_is_shown_again():
    counts = pd.DataFrame(
        {"c0": [8, 12, 20], "c1": [5, 0, 5], "all": [13, 12, 25]}, index=["r0", "r1", "all"]
    )
    shown = hide_small_cells(counts)
    # the total of c1 is small too; with that of c0 hidden nothing of row r1 need be
    assert shown.isna().sum().sum() == 4
    assert shown.loc["r1"].tolist() == [12, 0, 12]


def test_a_lone_small_cell_takes_one_more_cell_of_its_row_and_no_total():
    counts = {"all": 100, "ring": 60, "cloud": 35, "sheet": 5}
    found = protect(link(counts, [adds_up("all", ["ring", "cloud", "sheet"])]))
    assert found.small == {"sheet"}
    assert len(found.complementary) == 1
    assert "all" not in found.complementary


def test_two_small_cells_that_add_to_less_than_the_threshold_take_a_third():
    # a total less the large part is a small sum even though each of the two is hidden
    counts = {"all": 107, "ring": 100, "cloud": 4, "sheet": 3}
    found = protect(link(counts, [adds_up("all", ["ring", "cloud", "sheet"])]))
    assert found.complementary == {"ring"}


def test_numbers_at_risk_do_not_tell_how_many_left_between():
    # 200 at risk, then 193: seven left, whatever is hidden of how they left
    counts = {"risk 1": 200, "risk 2": 193, "left 1": 7, "relieved": 4, "stopped": 3}
    relations = [adds_up("risk 1", ["left 1", "risk 2"]), adds_up("left 1", ["relieved", "stopped"])]
    found = protect(link(counts, relations, unseen=["left 1"]))
    assert found.complementary & {"risk 1", "risk 2"}
    linked = link(counts, relations)
    _, high = ranges(linked, np.array([key in found.hidden for key in linked.keys]))
    assert high[linked.keys.index("left 1")] >= 11


def test_eyes_do_not_tell_how_many_patients():
    counts = {"eyes": 14, "patients": 8}
    found = protect(link(counts, [at_least(["eyes"], "patients"), at_least(["patients"], "eyes", times=2)]))
    assert found.small == {"patients"}
    assert found.complementary == {"eyes"}  # 14 eyes are 7 to 14 patients


def test_a_zero_stands_and_a_threshold_of_1_hides_nothing():
    counts = {"all": 50, "a": 50, "b": 0}
    relation = adds_up("all", ["a", "b"])
    assert not protect(link(counts, [relation])).hidden
    assert not protect(link({"all": 3, "a": 2, "b": 1}, [relation]), threshold=1).hidden


def test_the_summary_of_a_protection_names_no_count():
    found = protect(link({"all": 20, "secret": 5, "b": 15}, [adds_up("all", ["secret", "b"])]))
    assert "secret" not in str(found.to_json())
    assert found.to_json()["n_hidden"] == 2


@pytest.mark.parametrize("threshold", [0, 1001, 11.0, True, "11"])
def test_a_threshold_out_of_range_is_refused(threshold):
    with pytest.raises(TableError, match="threshold"):
        protect(link({"a": 3}, []), threshold=threshold)


@pytest.mark.parametrize(
    ("counts", "match"),
    [
        ({"all": 5, "a": 3, "b": 3}, "contradict"),
        ({"all": 5, "a": 5}, "not counted"),
        ({"all": 5, "a": 6, "b": -1}, "whole number from 0"),
        ({"all": 5, "a": 2.5, "b": 2.5}, "whole number from 0"),
    ],
)
def test_counts_that_cannot_be_are_refused(counts, match):
    with pytest.raises(TableError, match=match):
        link(counts, [adds_up("all", ["a", "b"])])


def test_a_table_with_a_name_twice_is_refused():
    with pytest.raises(TableError, match="twice"):
        hide_small_cells(pd.DataFrame([[1, 2]], columns=["a", "a"]))
