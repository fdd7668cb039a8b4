"""Agreement in parts: small parts hidden and not to be worked out."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from retreat import validation
from retreat.validation._checked import courses
from retreat.validation.subgroups import hidden_levels, parts_of, subgroups


@given(st.dictionaries(st.sampled_from("abcdefg"), st.integers(1, 60), min_size=1))
def test_what_is_hidden_cannot_be_worked_out_from_the_rest(counts):
    hidden = hidden_levels(counts)
    assert {level for level, n in counts.items() if n < 11} <= hidden
    if hidden and hidden != set(counts):
        # the total less what is shown is the sum of the hidden: at least two of them, together at least 11
        assert len(hidden) >= 2
        assert sum(counts[level] for level in hidden) >= 11


def test_nothing_is_hidden_where_all_parts_are_large():
    assert hidden_levels({"a": 11, "b": 12}) == set()


def test_a_part_is_measured_as_if_it_stood_alone():
    rng = np.random.default_rng(1)
    n = 200
    sessions, ending = rng.integers(1, 5, n), rng.integers(0, 3, n)
    p, kind = rng.uniform(0.1, 0.9, n), np.array(["ring", "cloud"], dtype=object)[rng.integers(0, 2, n)]
    patients = np.arange(n)
    rows = {
        row.level: row
        for row in subgroups(
            p, courses(sessions, ending, n_ends=2), patients, {"opacity": kind}, end=1, horizon=2
        )
    }
    here = kind == "ring"
    alone = validation.calibration_at(
        p[here], sessions[here], ending[here], end=1, horizon=2, groups=patients[here]
    )
    assert rows["ring"].n == here.sum()
    assert rows["ring"].observed_expected == alone.observed_expected
    assert rows["ring"].interval == alone.observed_expected_interval


def test_a_hidden_part_holds_no_number():
    kind = np.array(["ring"] * 40 + ["sheet"] * 5 + ["cloud"] * 30, dtype=object)
    n = len(kind)
    seen = courses(np.ones(n, dtype=int), np.tile([0, 1, 1], n // 3))
    rows = subgroups(np.full(n, 0.5), seen, np.arange(n), {"opacity": kind}, end=1, horizon=1)
    told = {row.level: row for row in rows}
    for level in ("sheet", "cloud"):
        assert told[level].n == 0
        assert np.isnan(told[level].observed)
        assert told[level].reason
    assert told["ring"].n == 40


def test_age_stands_in_bands_and_other_numbers_are_left_aside():
    parts = parts_of({"age": np.array([30.0, 50.0, 65.0, np.nan]), "size_mm": np.ones(4)})
    assert parts["age"].tolist() == ["under 50", "50 to under 65", "65 or more", None]
    assert set(parts) == {"age"}
