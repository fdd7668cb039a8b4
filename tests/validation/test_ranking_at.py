"""Concordance of an incidence by a session: by hand, pair by pair, by law and by simulation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from retreat.errors import TableError
from retreat.validation import concordance, concordance_at

# Five eyes: relieved at 1, lost after 1, stopped at 2, relieved at 2, still going on after 3
SESSIONS, ENDING = [1, 1, 2, 2, 3], [1, 0, 2, 1, 0]

ROWS = st.lists(
    st.tuples(
        st.integers(1, 4),
        st.integers(0, 2),
        st.sampled_from([0.0, 0.1, 0.3, 0.5, 0.8, 1.0]),
        st.integers(1, 3),
    ),
    min_size=2,
    max_size=25,
)


def columns(rows):
    return map(np.array, zip(*rows, strict=True))


def test_concordance_at_session_2_of_five_eyes_is_as_worked_by_hand():
    p = [0.8, 0.9, 0.3, 0.2, 0.1]

    # relieved: the first (weight 1) and fourth (4/3); not: stopped (4/3) and going on (4/3); lost: none
    # 0.8 passes both: 8/3; 0.2 passes 0.1 alone: 16/9; of 7/3 * 8/3
    expected = (8 / 3 + 16 / 9) / (56 / 9)
    assert concordance_at(p, SESSIONS, ENDING, end=1, horizon=2) == pytest.approx(expected, rel=1e-12)


def test_a_tie_counts_half():
    p = [0.8, 0.9, 0.8, 0.2, 0.2]

    # 0.8 ties the stopped eye and passes the other; 0.2 ties the eye going on and loses to the stopped one
    expected = (0.5 * 4 / 3 + 4 / 3 + 0.5 * 16 / 9) / (56 / 9)
    assert concordance_at(p, SESSIONS, ENDING, end=1, horizon=2) == pytest.approx(expected, rel=1e-12)


def test_cases_that_ended_otherwise_are_controls_and_those_that_ended_later_too():
    sessions, ending = [1, 1, 3], [1, 2, 1]

    assert concordance_at([0.5, 0.9, 0.1], sessions, ending, end=1, horizon=2) == 0.5
    assert concordance_at([0.5, 0.1, 0.9], sessions, ending, end=1, horizon=2) == 0.5


def test_a_case_last_seen_at_the_horizon_is_known_to_be_in_treatment():
    # relieved at 1 with 0.5; going on after exactly 2 with 0.9, after 3 with 0.1: one pair of two
    assert concordance_at([0.5, 0.9, 0.1], [1, 2, 3], [1, 0, 0], end=1, horizon=2) == 0.5


@given(ROWS)
def test_concordance_without_losses_is_the_plain_one(rows):
    sessions, ending, p, w = columns(rows)
    sessions = np.where(ending == 0, 4, sessions)  # seen to the horizon

    found = concordance_at(p, sessions, ending, end=1, horizon=3, weights=w)

    happened = (ending == 1) & (sessions <= 3)
    assert found == pytest.approx(concordance(p, happened, weights=w), abs=1e-12, nan_ok=True)


@given(ROWS)
def test_a_row_of_weight_2_counts_as_two_rows(rows):
    sessions, ending, p, w = columns(rows)

    weighted = concordance_at(p, sessions, ending, end=1, horizon=2, weights=w)
    repeated = concordance_at(*(np.repeat(a, w) for a in (p, sessions, ending)), end=1, horizon=2)

    assert weighted == pytest.approx(repeated, abs=1e-12, nan_ok=True)


@given(ROWS)
def test_the_opposite_order_has_the_rest_of_the_pairs(rows):
    sessions, ending, p, w = columns(rows)

    found = concordance_at(p, sessions, ending, end=1, horizon=2, weights=w)
    opposite = concordance_at(1 - p, sessions, ending, end=1, horizon=2, weights=w)

    if np.isnan(found):
        assert np.isnan(opposite)
    else:
        assert 0.0 <= found <= 1.0
        assert found + opposite == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(
    ("ending", "horizon"), [([1, 1, 1], 2), ([2, 0, 0], 1), ([1, 0, 0], 3)], ids=["all", "none", "all lost"]
)
def test_concordance_is_missing_where_there_is_no_pair(ending, horizon):
    assert np.isnan(concordance_at([0.2, 0.4, 0.6], [1, 2, 2], ending, end=1, horizon=horizon))


@pytest.mark.slow
def test_weights_give_back_the_concordance_of_all_cases_when_many_are_lost():
    # half a million cases: standard error of the concordance about 0.001
    rng = np.random.default_rng(3)
    n = 500_000
    x = rng.normal(size=n)
    odds = np.exp(-0.5 + x)
    relieved, other = odds / (1.15 + odds), 0.15 / (1.15 + odds)
    sessions = rng.geometric(relieved + other)
    ending = np.where(rng.random(n) < relieved / (relieved + other), 1, 2)
    p = 1 / (1 + np.exp(-x))
    all_seen = concordance_at(p, sessions, ending, end=1, horizon=4)
    seen = rng.geometric(0.25, n)

    found = concordance_at(
        p, np.minimum(sessions, seen), np.where(seen < sessions, 0, ending), end=1, horizon=4
    )
    known = (seen >= sessions) | (seen >= 4)
    only_known = concordance(p[known], ((ending == 1) & (sessions <= 4))[known])

    assert found == pytest.approx(all_seen, abs=0.004)
    assert abs(only_known - all_seen) > 0.008


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: concordance_at([0.5] * 4, SESSIONS, ENDING, end=1, horizon=1), "different lengths"),
        (lambda: concordance_at([1.5] * 5, SESSIONS, ENDING, end=1, horizon=1), "5 of 5 values wrong"),
        (lambda: concordance_at([0.5] * 5, SESSIONS, ENDING, end=0, horizon=1), "end: value 0"),
    ],
)
def test_input_of_the_wrong_form_is_refused(call, message):
    with pytest.raises(TableError, match=message):
        call()
