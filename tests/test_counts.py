"""Courses as risk sets and counts."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from retreat import counts
from retreat.counts import check_courses, person_sessions, risk_sets
from retreat.errors import FitError

# seven cases by hand: reached session 1, 2, 3 by 7, 4 and 2
SESSIONS = np.array([2, 1, 3, 1, 3, 2, 1])
ENDING = np.array([1, 0, 2, 1, 0, 2, 1])
X = np.arange(14.0).reshape(7, 2)


def courses(max_cases=60):
    return st.integers(1, max_cases).flatmap(
        lambda n: st.tuples(
            st.lists(st.integers(1, 5), min_size=n, max_size=n).map(np.array),
            st.lists(st.integers(0, 2), min_size=n, max_size=n).map(np.array),
            st.lists(st.integers(0, 3), min_size=n, max_size=n).map(lambda w: np.array(w, dtype=float)),
        )
    )


def test_the_risk_set_of_a_session_is_a_prefix():
    sets = risk_sets(X, SESSIONS, ENDING, n_ends=2)

    assert sets.size.tolist() == [7, 4, 2]
    for k in (1, 2, 3):
        found = {tuple(row) for row in sets.X[: sets.size[k - 1]].tolist()}
        assert found == {tuple(row) for row in X[k <= SESSIONS].tolist()}


def test_ends_are_counted_by_way_and_session():
    sets = risk_sets(X, SESSIONS, ENDING, n_ends=2)

    assert sets.events.tolist() == [[2, 1, 0], [0, 1, 1]]
    assert sets.n_at_risk().tolist() == [7, 4, 2]
    # end 1: cases 0, 3, 6; end 2: cases 2, 5
    assert sets.event_sums.tolist() == [[0 + 6 + 12, 1 + 7 + 13], [4 + 10, 5 + 11]]


def test_weights_count_as_so_many_cases():
    weights = np.array([2.0, 1, 0, 3, 1, 1, 0.5])

    sets = risk_sets(X, SESSIONS, ENDING, n_ends=2, weights=weights)

    assert sets.events.tolist() == [[3.5, 2, 0], [0, 1, 0]]
    assert sets.n_at_risk().tolist() == [8.5, 4, 1]


def test_an_end_beyond_those_seen_has_no_events():
    assert risk_sets(X, SESSIONS, ENDING, n_ends=3).events[2].tolist() == [0, 0, 0]


@settings(max_examples=60, deadline=None)
@given(drawn=courses(), weighted=st.booleans())
def test_collapsed_patterns_are_the_same_counts(drawn, weighted):
    sessions, ending, weights = drawn
    X = np.column_stack([sessions % 2, ending == 1]).astype(float)  # at most four patterns
    given_weights = weights if weighted else None
    plain = risk_sets(X, sessions, ending, n_ends=2, weights=given_weights)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(counts, "_COLLAPSE_FROM", 1)
        patch.setattr(counts, "_COLLAPSE_AT_MOST", 1.0)
        collapsed = risk_sets(X, sessions, ending, n_ends=2, weights=given_weights)

    assert len(collapsed.X) == len(np.unique(X, axis=0))
    np.testing.assert_allclose(collapsed.n_at_risk(), plain.n_at_risk())
    np.testing.assert_array_equal(collapsed.events, plain.events)
    np.testing.assert_array_equal(collapsed.event_sums, plain.event_sums)
    rows = [(tuple(x), k) for x, s in zip(X.tolist(), sessions, strict=True) for k in range(s)]
    for pattern, at_risk in zip(collapsed.X.tolist(), collapsed.at_risk, strict=True):
        for k, found in enumerate(at_risk):
            own = [
                (weights[i] if weighted else 1.0)
                for i in range(len(X))
                if tuple(X[i]) == tuple(pattern) and sessions[i] > k
            ]
            assert found == pytest.approx(sum(own))
    assert sum(collapsed.size) <= len(rows)


@settings(max_examples=60, deadline=None)
@given(drawn=courses())
def test_who_is_left_out_of_a_prefix_has_nobody_at_risk(drawn):
    sessions, ending, _ = drawn
    X = np.column_stack([sessions % 2, ending == 1]).astype(float)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(counts, "_COLLAPSE_FROM", 1)
        patch.setattr(counts, "_COLLAPSE_AT_MOST", 1.0)
        sets = risk_sets(X, sessions, ending, n_ends=2)

    for k, m in enumerate(sets.size):
        assert not sets.at_risk[m:, k].any()


def test_small_tables_and_tables_of_different_rows_are_not_collapsed(monkeypatch):
    rng = np.random.default_rng(0)
    sessions, ending = rng.integers(1, 4, 500), rng.integers(0, 3, 500)
    assert risk_sets(np.zeros((500, 1)), sessions, ending, n_ends=2).at_risk is None

    monkeypatch.setattr(counts, "_COLLAPSE_FROM", 1)

    assert risk_sets(rng.normal(size=(500, 1)), sessions, ending, n_ends=2).at_risk is None
    assert len(risk_sets(np.zeros((500, 1)), sessions, ending, n_ends=2).X) == 1


def test_a_sample_without_equal_rows_spares_the_sorting_of_all(monkeypatch):
    monkeypatch.setattr(counts, "_PATTERN_SAMPLE", 50)
    rng = np.random.default_rng(0)
    X, sessions, ending = rng.normal(size=(20_000, 2)), rng.integers(1, 4, 20_000), rng.integers(0, 3, 20_000)
    sorted_keys = []
    unique = np.unique
    monkeypatch.setattr(
        counts.np, "unique", lambda key, **k: sorted_keys.append(len(key)) or unique(key, **k)
    )

    assert risk_sets(X, sessions, ending, n_ends=2).at_risk is None
    assert max(sorted_keys) <= 100


@settings(max_examples=40, deadline=None)
@given(drawn=courses())
def test_person_sessions_are_one_row_a_session(drawn):
    sessions, ending, _ = drawn

    case, session, ended = person_sessions(sessions, ending)

    expected = [
        (i, k, ending[i] if k == sessions[i] else 0)
        for i in range(len(sessions))
        for k in range(1, sessions[i] + 1)
    ]
    assert list(zip(case.tolist(), session.tolist(), ended.tolist(), strict=True)) == expected


def test_whole_numbers_stored_as_floats_are_read():
    sessions, ending = check_courses([1.0, 3.0], [0.0, 2.0])

    assert (sessions.dtype, sessions.tolist(), ending.tolist()) == (np.int64, [1, 3], [0, 2])


@pytest.mark.parametrize(
    ("sessions", "ending", "message"),
    [
        ([], [], "sessions: no cases"),
        ([1, 2], [0], "shapes (2,) and (1,)"),
        ([[1, 2]], [[0, 1]], "shapes (1, 2) and (1, 2); allowed: two vectors of one length"),
        (
            [0, 1, 2],
            [0, 0, 1],
            "sessions: 1 of 3 values are not allowed (row 0: 0); allowed: whole numbers from 1 to",
        ),
        ([1, 1.5, np.nan, np.inf, -1], [0] * 5, "(row 1: 1.5, 2: nan, 3: inf)"),
        ([1, 1000], [0, 1], "(row 1: 1000); allowed: whole numbers from 1 to 999"),
        (
            [1, 1],
            [0, 99],
            "ending: 1 of 2 values are not allowed (row 1: 99); allowed: whole numbers from 0 to 20",
        ),
        (["1", "2"], [0, 1], "sessions: holds values that are not numbers"),
        ([None, "x"], [0, 1], "sessions: holds values that are not numbers"),
        ([1, 2], [1j, 0], "ending: holds values that are not numbers"),
    ],
)
def test_courses_that_are_none_are_refused(sessions, ending, message):
    with pytest.raises(FitError) as refused:
        check_courses(sessions, ending)

    assert message in str(refused.value)


def test_faults_of_both_vectors_are_told_at_once():
    with pytest.raises(FitError) as refused:
        check_courses([0, 1], [-1, 0])

    assert [fault.where for fault in refused.value.faults] == ["sessions", "ending"]
