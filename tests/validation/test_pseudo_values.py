"""Pseudo-values and censoring weights by hand, by brute force and by law."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from retreat.errors import TableError
from retreat.validation import aalen_johansen, censoring_weights, pseudo_values

COURSES = st.lists(st.tuples(st.integers(1, 5), st.integers(0, 2)), min_size=2, max_size=25)


def exact_incidence(pairs, end, horizon):
    """Aalen-Johansen in exact fractions, straight from its definition; carried on where nobody is at risk."""
    staying, incidence = Fraction(1), Fraction(0)
    for k in range(1, horizon + 1):
        at_risk = sum(s >= k for s, _ in pairs)
        if at_risk:
            incidence += staying * Fraction(sum(p == (k, end) for p in pairs), at_risk)
            staying *= 1 - Fraction(sum(s == k and e > 0 for s, e in pairs), at_risk)
    return incidence


def followed_to(pairs, horizon):
    """Whether the incidence by the horizon is known: somebody was at risk at it, or everybody had ended."""
    reached = max(s for s, _ in pairs)
    return reached >= horizon or all(e > 0 for s, e in pairs if s == reached)


def test_pseudo_values_of_four_eyes_are_as_worked_by_hand():
    # relieved at 1, lost after 1, relieved at 2, still going on after 2. F(2) = 1/4 + 3/4 * 1/2 = 5/8.
    # Without each in turn: 1/2; 1/3 + 2/3 * 1/2 = 2/3; 1/3 + 2/3 * 0; 1/3 + 2/3 * 1. Value: 5/2 - 3 times these.
    found = pseudo_values([1, 1, 2, 2], [1, 0, 1, 0], end=1, horizon=2)

    np.testing.assert_allclose(found, [1.0, 0.5, 1.5, -0.5], atol=1e-12)


@given(COURSES, st.integers(1, 2), st.integers(1, 5))
def test_pseudo_values_are_the_brute_force_jackknife(pairs, end, horizon):
    if not followed_to(pairs, horizon):
        return
    n = len(pairs)
    whole = exact_incidence(pairs, end, horizon)
    without = [exact_incidence(pairs[:i] + pairs[i + 1 :], end, horizon) for i in range(n)]

    found = pseudo_values(*zip(*pairs, strict=True), end=end, horizon=horizon)

    np.testing.assert_allclose(found, [float(n * whole - (n - 1) * w) for w in without], atol=1e-10)


@given(st.lists(st.tuples(st.integers(1, 5), st.integers(1, 2)), min_size=2, max_size=25))
def test_pseudo_values_are_the_outcomes_when_nobody_is_lost(pairs):
    sessions, ending = map(np.array, zip(*pairs, strict=True))

    found = pseudo_values(sessions, ending, end=1, horizon=3)

    np.testing.assert_allclose(found, (ending == 1) & (sessions <= 3), atol=1e-12)


@given(COURSES)
def test_a_case_of_weight_2_has_the_pseudo_value_of_two_cases(pairs):
    sessions, ending = zip(*pairs, strict=True)

    weighted = pseudo_values(sessions, ending, end=1, horizon=1, weights=[2] * len(pairs))
    repeated = pseudo_values(sessions * 2, ending * 2, end=1, horizon=1)

    np.testing.assert_allclose(np.tile(weighted, 2), repeated, atol=1e-10)


def test_pseudo_values_are_missing_beyond_the_follow_up():
    assert np.isnan(pseudo_values([1, 2], [1, 0], end=1, horizon=3)).all()


def test_pseudo_values_of_an_end_never_seen_are_0():
    assert pseudo_values([1, 2], [1, 0], end=2, horizon=2).tolist() == [0.0, 0.0]


def test_pseudo_values_refuse_weights_that_are_not_counts():
    with pytest.raises(TableError, match="whole numbers"):
        pseudo_values([1, 2], [1, 0], end=1, horizon=1, weights=[0.5, 1.0])


# Six eyes: relieved at 1; lost after 1; relieved and stopped at 2; lost after 2; still there at 3.
SESSIONS, ENDING = [1, 1, 2, 2, 2, 3], [1, 0, 1, 2, 0, 0]


def test_censoring_weights_of_six_eyes_are_as_worked_by_hand():
    # G(1) = 1 - 1/(6 - 1) = 4/5; those known at session 2 stand for 5/4 eyes
    found = censoring_weights(SESSIONS, ENDING, horizon=2)

    np.testing.assert_allclose(found, [1, 0, 5 / 4, 5 / 4, 5 / 4, 5 / 4], rtol=1e-14)


def test_censoring_weights_without_those_last_seen_at_the_horizon_are_as_worked_by_hand():
    # G(2) = 4/5 * (1 - 1/(4 - 2)) = 2/5: the eye seen later stands for 5/2
    found = censoring_weights(SESSIONS, ENDING, horizon=2, at_horizon="unknown")

    np.testing.assert_allclose(found, [1, 0, 5 / 4, 5 / 4, 0, 5 / 2], rtol=1e-14)


@given(COURSES, st.integers(1, 5))
def test_censoring_weights_average_1_wherever_the_state_is_known(pairs, horizon):
    found = censoring_weights(*zip(*pairs, strict=True), horizon=horizon)

    if followed_to(pairs, horizon):
        assert found.mean() == pytest.approx(1.0, abs=1e-12)
    else:
        assert np.isnan(found).all()


@given(COURSES, st.integers(1, 5))
def test_censoring_weights_reproduce_the_observed_incidence(pairs, horizon):
    sessions, ending = map(np.array, zip(*pairs, strict=True))
    if not followed_to(pairs, horizon):
        return
    weights = censoring_weights(sessions, ending, horizon=horizon)
    seen = aalen_johansen(sessions, ending, n_ends=2, horizon=horizon)

    share = np.mean(weights * ((ending == 2) & (sessions <= horizon)))

    assert share == pytest.approx(seen.incidence[1, -1], abs=1e-12)


@given(COURSES, st.integers(1, 4))
def test_leaving_out_those_last_seen_at_the_horizon_is_asking_half_a_session_later(pairs, horizon):
    sessions, ending = map(np.array, zip(*pairs, strict=True))

    strict = censoring_weights(sessions, ending, horizon=horizon, at_horizon="unknown")
    later = censoring_weights(2 * sessions, ending, horizon=2 * horizon + 1)

    np.testing.assert_allclose(strict, later, atol=1e-12)


def test_a_word_that_is_no_rule_for_the_horizon_is_refused():
    with pytest.raises(ValueError, match="at_horizon 'late'"):
        censoring_weights([1], [1], horizon=1, at_horizon="late")
