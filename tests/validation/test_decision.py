"""Net benefit by hand, by law and its standard error against other routes."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from retreat.errors import TableError
from retreat.validation import aalen_johansen, net_benefit, net_benefit_at

# Five eyes: relieved at 1, lost after 1, stopped at 2, relieved at 2, still going on after 3
SESSIONS, ENDING = [1, 1, 2, 2, 3], [1, 0, 2, 1, 0]
THRESHOLDS = [0.0, 0.1, 0.3, 0.5, 0.75]

ROWS = st.lists(
    st.tuples(
        st.integers(1, 4),
        st.integers(0, 2),
        st.sampled_from([0.0, 0.1, 0.3, 0.5, 0.8, 1.0]),
        st.integers(0, 3),
    ),
    min_size=2,
    max_size=25,
).filter(lambda rows: any(w for *_, w in rows))
FIELDS = ("model", "offer_all", "offer_none", "standard_error")


def columns(rows):
    return map(np.array, zip(*rows, strict=True))


def same(one, other):
    for name in FIELDS:
        np.testing.assert_allclose(getattr(one, name), getattr(other, name), atol=1e-12, err_msg=name)


def test_net_benefit_of_four_eyes_is_as_worked_by_hand():
    found = net_benefit([0.9, 0.4, 0.3, 0.1], [1, 0, 1, 0], thresholds=[0.2, 0.5, 0.95])

    # at 0.2 two rightly, one needlessly offered, odds 1/4; at 0.5 one rightly; at 0.95 none
    np.testing.assert_allclose(found.model, [2 / 4 - 1 / 4 / 4, 1 / 4, 0], rtol=1e-14)
    np.testing.assert_allclose(found.offer_all, [2 / 4 - 2 / 4 / 4, 0, 0.5 - 0.5 * 19], rtol=1e-12)
    assert found.offer_none.tolist() == [0, 0, 0]
    assert found.thresholds.tolist() == [0.2, 0.5, 0.95]


def test_a_prediction_equal_to_the_threshold_is_offered():
    assert net_benefit([0.5, 0.4], [1, 0], thresholds=[0.5]).model.tolist() == [0.5]


def test_standard_error_without_losses_is_that_of_a_mean():
    found = net_benefit([0.9, 0.4, 0.3, 0.1], [1, 0, 1, 0], thresholds=[0.2])

    # contributions 1, -1/4, 1, 0
    assert found.standard_error[0] == pytest.approx(np.std([1, -0.25, 1, 0], ddof=1) / 2, rel=1e-12)


def test_net_benefit_at_session_2_of_five_eyes_is_as_worked_by_hand():
    found = net_benefit_at(
        [0.8, 0.5, 0.3, 0.6, 0.1], SESSIONS, ENDING, end=1, horizon=2, thresholds=[0.5, 0.2]
    )

    # from 0.5 on: relieved at 1, lost after 1, relieved at 2: incidence 1/3 + 2/3 = 1, of 3/5 of the eyes
    # from 0.2 on the stopped eye too: incidence 1/4 + 3/4 * 1/2 = 5/8, of 4/5, odds 1/4
    np.testing.assert_allclose(found.model, [0.6, 0.8 * (5 / 8 - 3 / 8 / 4)], rtol=1e-12)
    # everybody: 7/15
    np.testing.assert_allclose(found.offer_all, [7 / 15 - 8 / 15, 7 / 15 - 8 / 15 / 4], rtol=1e-12)


@given(ROWS)
def test_net_benefit_without_losses_is_the_plain_one(rows):
    sessions, ending, p, w = columns(rows)
    sessions = np.where(ending == 0, 4, sessions)  # seen to the horizon

    found = net_benefit_at(p, sessions, ending, end=1, horizon=3, thresholds=THRESHOLDS, weights=w)

    same(found, net_benefit(p, (ending == 1) & (sessions <= 3), thresholds=THRESHOLDS, weights=w))


@given(ROWS)
def test_a_row_of_weight_2_counts_as_two_rows(rows):
    sessions, ending, p, w = columns(rows)
    twice = [np.repeat(a, w) for a in (p, sessions, ending)]

    same(
        net_benefit_at(p, sessions, ending, end=1, horizon=2, thresholds=THRESHOLDS, weights=w),
        net_benefit_at(*twice, end=1, horizon=2, thresholds=THRESHOLDS),
    )
    same(
        net_benefit(p, ending == 1, thresholds=THRESHOLDS, weights=w),
        net_benefit(twice[0], twice[2] == 1, thresholds=THRESHOLDS),
    )


@given(ROWS)
def test_net_benefit_never_passes_the_observed_incidence_when_nobody_is_lost(rows):
    _, ending, p, _ = columns(rows)

    found = net_benefit(p, ending == 1, thresholds=THRESHOLDS)

    assert np.all(found.model <= np.mean(ending == 1) + 1e-12)
    assert np.all(found.offer_all <= np.mean(ending == 1) + 1e-12)


@given(ROWS)
def test_a_threshold_of_0_offers_to_all(rows):
    sessions, ending, p, w = columns(rows)

    found = net_benefit_at(p, sessions, ending, end=1, horizon=2, thresholds=[0.0], weights=w)

    np.testing.assert_allclose(found.model, found.offer_all, atol=1e-12)


def clinic(seed, n=400):
    rng = np.random.default_rng(seed)
    x = rng.normal(size=n)
    odds = np.column_stack([np.exp(-0.5 + x), np.full(n, 0.15)])
    hazard = odds / (1 + odds.sum(axis=1, keepdims=True))
    sessions, seen = rng.geometric(hazard.sum(axis=1)), rng.geometric(0.15, n)
    ending = np.where(rng.random(n) < hazard[:, 0] / hazard.sum(axis=1), 1, 2)
    return 1 / (1 + np.exp(-x)), np.minimum(sessions, seen), np.where(seen < sessions, 0, ending)


def test_standard_error_of_offering_to_all_at_no_cost_is_that_of_the_observed_incidence():
    p, sessions, ending = clinic(1)

    found = net_benefit_at(p, sessions, ending, end=1, horizon=3, thresholds=[0.0])

    # Dinse and Larson 1986 by another route, and n / (n - 1)
    error = aalen_johansen(sessions, ending).standard_error[0, 2]
    assert found.standard_error[0] == pytest.approx(error * np.sqrt(400 / 399), rel=1e-10)


def test_standard_error_is_near_the_jackknife_one():
    p, sessions, ending = clinic(2)
    without = [
        net_benefit_at(
            np.delete(p, i), np.delete(sessions, i), np.delete(ending, i), end=1, horizon=3, thresholds=[0.4]
        ).model[0]
        for i in range(400)
    ]

    found = net_benefit_at(p, sessions, ending, end=1, horizon=3, thresholds=[0.4])

    # both are first order: they differ by some 1/n
    jackknife = np.sqrt(399 / 400 * np.sum((without - np.mean(without)) ** 2))
    assert found.standard_error[0] == pytest.approx(jackknife, rel=0.01)


def test_two_like_eyes_of_each_patient_count_as_one_when_grouped():
    single = clinic(3)
    both = [np.repeat(a, 2) for a in single]

    alone = net_benefit_at(*single, end=1, horizon=3, thresholds=THRESHOLDS)
    grouped = net_benefit_at(
        *both, end=1, horizon=3, thresholds=THRESHOLDS, groups=np.repeat(np.arange(400), 2)
    )

    same(alone, grouped)


def test_nothing_is_given_where_none_of_those_offered_was_followed_to_the_horizon():
    found = net_benefit_at(
        [0.9, 0.8, 0.1, 0.1], [1, 1, 2, 3], [1, 0, 1, 0], end=1, horizon=3, thresholds=[0.0, 0.5]
    )

    assert np.isnan(found.model).tolist() == [False, True]
    assert np.isnan(found.standard_error).tolist() == [False, True]
    assert not np.isnan(found.offer_all).any()


def test_an_end_nobody_had_has_costs_alone():
    found = net_benefit_at([0.9, 0.8], [1, 2], [1, 1], end=2, horizon=2, thresholds=[0.5])

    assert found.model.tolist() == [-1.0]
    assert found.standard_error.tolist() == [0.0]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: net_benefit([0.5], [1], thresholds=[1.0, 0.5]), "1 of 2 values wrong, the first is 1;"),
        (lambda: net_benefit([0.5], [1], thresholds=[-0.1]), "the first is -0.1"),
        (lambda: net_benefit([0.5], [1], thresholds=[np.nan]), "the first is nan"),
        (lambda: net_benefit([0.5], [1], thresholds=0.5), r"thresholds: shape \(\)"),
        (lambda: net_benefit([0.5], [2], thresholds=[0.5]), "outcomes: 1 of 1"),
        (
            lambda: net_benefit_at([0.5] * 5, SESSIONS, ENDING, end=0, horizon=1, thresholds=[0.5]),
            "end: value 0",
        ),
        (
            lambda: net_benefit_at(
                [0.5] * 5, SESSIONS, ENDING, end=1, horizon=1, thresholds=[0.5], groups=[1]
            ),
            "groups: shape",
        ),
    ],
)
def test_input_of_the_wrong_form_is_refused(call, message):
    with pytest.raises(TableError, match=message):
        call()
