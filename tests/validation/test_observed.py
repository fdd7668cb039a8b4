"""Observed incidence by hand and by law."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from retreat.errors import TableError
from retreat.validation import aalen_johansen

# Eight eyes: (sessions, ending). Ties at session 1 and 2, one eye lost after the first session.
#   session 1: 8 at risk, 2 relieved, 1 stopped, 1 lost
#   session 2: 4 at risk, 1 relieved, 1 stopped
#   session 3: 2 at risk, 1 relieved, 1 lost; nobody has a fourth session
SESSIONS = [1, 1, 1, 1, 2, 2, 3, 3]
ENDING = [1, 1, 2, 0, 1, 2, 1, 0]

COURSES = st.lists(st.tuples(st.integers(1, 6), st.integers(0, 3)), min_size=1, max_size=30)


def unzip(pairs):
    sessions, ending = zip(*pairs, strict=True)
    return np.array(sessions), np.array(ending)


def test_incidence_of_eight_eyes_is_as_worked_by_hand():
    seen = aalen_johansen(SESSIONS, ENDING)

    # relieved: 2/8, + 5/8 * 1/4, + 5/8 * 2/4 * 1/2; stopped: 1/8, + 5/8 * 1/4
    relieved = [2 / 8, 2 / 8 + 5 / 32, 2 / 8 + 5 / 32 + 5 / 32]
    stopped = [1 / 8, 1 / 8 + 5 / 32, 1 / 8 + 5 / 32]
    np.testing.assert_allclose(seen.incidence, [relieved, stopped], rtol=1e-14)
    np.testing.assert_allclose(seen.in_treatment, [5 / 8, 5 / 16, 5 / 32], rtol=1e-14)


def test_counts_of_eight_eyes_are_as_read_off():
    seen = aalen_johansen(SESSIONS, ENDING)

    assert seen.at_risk.tolist() == [8, 4, 2]
    assert seen.events.tolist() == [[2, 1, 1], [1, 1, 0]]


def test_standard_error_of_eight_eyes_is_as_worked_by_hand():
    seen = aalen_johansen(SESSIONS, ENDING)

    # relieved after session 2, to come after session 1: 5/32.
    # s = 1: (5/32)^2 * 3/(8*5) + 2*6/8^3 - 2 * 5/32 * 2/8^2
    # s = 2: (5/8)^2 * 1*3/4^3
    variance = 25 / 1024 * 3 / 40 + 12 / 512 - 20 / 2048 + 25 / 64 * 3 / 64
    assert seen.standard_error[0, 1] == pytest.approx(variance**0.5, rel=1e-12)


def test_standard_error_of_the_share_in_treatment_is_greenwoods():
    seen = aalen_johansen(SESSIONS, ENDING)

    # S(2) * sqrt(3/(8*5) + 2/(4*2))
    assert seen.in_treatment_standard_error[1] == pytest.approx(5 / 16 * (3 / 40 + 1 / 4) ** 0.5, rel=1e-12)


def test_an_eye_lost_after_the_first_session_counts_as_at_risk_at_it():
    assert aalen_johansen([1, 1], [0, 1]).incidence[0, 0] == 0.5


def test_nothing_is_said_of_sessions_that_nobody_was_followed_to():
    seen = aalen_johansen(SESSIONS, ENDING, horizon=5)

    assert np.isnan(seen.incidence[:, 3:]).all()
    assert np.isnan(seen.in_treatment_standard_error[3:]).all()
    assert seen.at_risk[3:].tolist() == [0, 0]
    assert seen.reason == "no case was followed to session 4"


def test_incidence_is_carried_on_when_every_eye_has_ended():
    seen = aalen_johansen([1, 1, 2], [1, 2, 1], horizon=4)

    np.testing.assert_allclose(seen.incidence[:, 3], [2 / 3, 1 / 3], rtol=1e-14)
    assert seen.in_treatment[3] == 0.0
    assert seen.reason == ""


def test_eyes_all_still_in_treatment_have_incidence_0():
    seen = aalen_johansen([1, 2, 3], [0, 0, 0], n_ends=2)

    assert seen.incidence.tolist() == [[0, 0, 0], [0, 0, 0]]
    assert seen.in_treatment.tolist() == [1, 1, 1]


def test_an_end_never_seen_has_a_row_of_zeros_when_asked_for():
    seen = aalen_johansen([1, 2], [1, 1], n_ends=3)

    assert seen.incidence[1:].tolist() == [[0, 0], [0, 0]]


def test_standard_error_without_losses_is_the_binomial_one():
    # with nobody lost the incidence is a plain share p of n, of variance p (1 - p) / n
    sessions, ending = [1, 1, 2, 3, 3, 3, 4, 4, 4, 4], [1, 2, 1, 1, 2, 2, 1, 0, 0, 0]
    seen = aalen_johansen(sessions, ending)

    share = seen.incidence
    np.testing.assert_allclose(seen.standard_error, np.sqrt(share * (1 - share) / 10), rtol=1e-10)


@given(COURSES)
def test_ends_and_share_in_treatment_add_to_1(pairs):
    sessions, ending = unzip(pairs)
    seen = aalen_johansen(sessions, ending)

    np.testing.assert_allclose(seen.incidence.sum(axis=0) + seen.in_treatment, 1.0, atol=1e-12)


@given(COURSES)
def test_incidence_never_falls(pairs):
    sessions, ending = unzip(pairs)

    assert np.all(np.diff(aalen_johansen(sessions, ending).incidence, axis=1) >= 0)


@given(COURSES, st.data())
def test_observed_incidence_does_not_depend_on_the_order_of_cases(pairs, data):
    shuffled = data.draw(st.permutations(pairs))
    one, other = (aalen_johansen(*unzip(cases), n_ends=3) for cases in (pairs, shuffled))

    np.testing.assert_array_equal(one.incidence, other.incidence)
    np.testing.assert_array_equal(one.standard_error, other.standard_error)


@given(COURSES, st.data())
def test_a_row_of_weight_2_counts_as_two_rows(pairs, data):
    times = np.array(data.draw(st.lists(st.integers(0, 3), min_size=len(pairs), max_size=len(pairs))))
    if times.sum() == 0:
        times[0] = 1
    sessions, ending = unzip(pairs)
    horizon = int(sessions.max())

    weighted = aalen_johansen(sessions, ending, weights=times, n_ends=3, horizon=horizon)
    repeated = aalen_johansen(np.repeat(sessions, times), np.repeat(ending, times), n_ends=3, horizon=horizon)

    np.testing.assert_allclose(weighted.incidence, repeated.incidence, atol=1e-12)
    np.testing.assert_allclose(weighted.standard_error, repeated.standard_error, atol=1e-12)
    assert weighted.reason == repeated.reason


@given(COURSES)
def test_all_ends_together_are_one_minus_the_share_of_a_single_end(pairs):
    sessions, ending = unzip(pairs)
    competing = aalen_johansen(sessions, ending)
    single = aalen_johansen(sessions, (ending > 0).astype(int))

    np.testing.assert_allclose(competing.incidence.sum(axis=0), single.incidence[0], atol=1e-12)
    # a variance of 0 reached by subtraction leaves a standard error of the square root of rounding
    np.testing.assert_allclose(competing.in_treatment_standard_error, single.standard_error[0], atol=1e-7)


def test_all_that_is_wrong_with_the_courses_is_told_at_once():
    with pytest.raises(TableError) as caught:
        aalen_johansen([1, 0, 2.5], [0, 3, 1], weights=[1, -1, 1], n_ends=2)

    assert [fault.where for fault in caught.value.faults] == ["sessions", "ending", "weights"]
    assert caught.value.faults[0].what == "2 of 3 values wrong (positions 1, 2), the first is 0"


@pytest.mark.parametrize(
    ("sessions", "ending", "where"),
    [
        ([], [], "sessions"),
        ([1, 2], [1], "sessions and ending and weights"),
        (["x"], [1], "sessions"),
        ([[1]], [1], "sessions"),
        ([np.nan], [1], "sessions"),
        ([np.inf], [1], "sessions"),
    ],
)
def test_courses_of_the_wrong_form_are_refused(sessions, ending, where):
    with pytest.raises(TableError) as caught:
        aalen_johansen(sessions, ending)

    assert caught.value.faults[0].where == where


def test_a_horizon_of_0_is_refused():
    with pytest.raises(TableError, match="horizon: value 0; allowed: at least 1 session"):
        aalen_johansen([1], [1], horizon=0)


def test_weights_that_are_all_0_are_refused():
    with pytest.raises(TableError, match="all are 0"):
        aalen_johansen([1, 2], [1, 0], weights=[0, 0])
