"""Hazards and what follows from them: tables by hand, laws over all hazards, tails, errors that name the place."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from retreat.hazard import (
    Link,
    cumulative_incidence,
    hazards,
    hazards_and_going_on,
    hazards_of_incidence,
    in_treatment,
    pmf,
)

# two ends over three sessions, in dyadic fractions so that floats are exact. In treatment before sessions
# 1, 2, 3: 1, 1/4, 1/8; relieved at them: 1/2, 1/16, 1/16; stopped: 1/4, 1/16, 0; left after: 1/4, 1/8, 1/16
HAZARDS = [[1 / 2, 1 / 4, 1 / 2], [1 / 4, 1 / 4, 0]]
PMF = [[1 / 2, 1 / 16, 1 / 16], [1 / 4, 1 / 16, 0]]
INCIDENCE = [[1 / 2, 9 / 16, 10 / 16], [1 / 4, 5 / 16, 5 / 16]]
IN_TREATMENT = [1 / 4, 1 / 8, 1 / 16]

links = st.sampled_from(["logit", "cloglog"])
predictors = arrays(
    float,
    st.tuples(st.integers(1, 3), st.integers(1, 4), st.integers(1, 6)),
    elements=st.one_of(st.floats(-1000, 1000), st.floats(-4, 4), st.just(-np.inf)),
)
many = settings(max_examples=80, deadline=None)


def some_hazards(seed: int, cases: int = 3, ends: int = 2, sessions: int = 6) -> np.ndarray:
    """Hazards whose sum over ends stays below 0.95, so that somebody is left at every session."""
    shares = np.random.default_rng(seed).dirichlet(np.ones(ends + 1), size=(cases, sessions))
    return 0.95 * np.moveaxis(shares[..., :-1], -1, -2)


# --- by hand


def test_incidence_of_two_ends_by_hand() -> None:
    assert pmf(HAZARDS).tolist() == PMF
    assert cumulative_incidence(HAZARDS).tolist() == INCIDENCE
    assert in_treatment(HAZARDS).tolist() == IN_TREATMENT


def test_hazards_follow_from_incidence_by_hand() -> None:
    assert hazards_of_incidence(INCIDENCE).tolist() == HAZARDS


def test_logit_hazards_of_two_ends_by_hand() -> None:
    # odds 1 and 2 against going on: 1/4, 2/4, and 1/4 goes on
    assert hazards([[0.0], [math.log(2)]]) == pytest.approx(np.array([[0.25], [0.5]]), rel=1e-15)


def test_cloglog_hazards_of_two_ends_by_hand() -> None:
    # rates (ln 2)/4 and 3 (ln 2)/4 add to ln 2: half the cases end, shared 1 to 3
    eta = [[math.log(math.log(2) / 4)], [math.log(3 * math.log(2) / 4)]]
    assert hazards(eta, "cloglog") == pytest.approx(np.array([[1 / 8], [3 / 8]]), rel=1e-14)


def test_nobody_left_gives_no_hazard() -> None:
    found = hazards_of_incidence([[0.5, 1.0, 1.0]])
    assert found[0, :2].tolist() == [0.5, 1.0]
    assert np.isnan(found[0, 2])


def test_nobody_left_but_for_the_last_digit_gives_no_hazard() -> None:
    # 0.7 + 0.2 + 0.1 is 0.9999999999999999 in floats
    incidence = [[0.7, 0.7], [0.2, 0.2], [0.1, 0.1]]
    assert np.sum(incidence, axis=0)[0] < 1
    assert np.isnan(hazards_of_incidence(incidence)[:, 1]).all()


def test_a_hazard_of_1_ends_the_course() -> None:
    assert pmf([[0.25, 1.0, 0.5]]).tolist() == [[0.25, 0.75, 0.0]]
    assert in_treatment([[0.25, 1.0, 0.5]]).tolist() == [0.75, 0.0, 0.0]


# --- tails, with warnings as errors


@pytest.mark.parametrize(
    ("link", "eta", "expected"),
    [
        ("logit", 40.0, 1 / (1 + math.exp(-40))),
        ("logit", -40.0, math.exp(-40) / (1 + math.exp(-40))),
        ("logit", 1000.0, 1.0),
        ("logit", -1000.0, 0.0),
        ("logit", -700.0, math.exp(-700)),
        ("logit", -math.inf, 0.0),
        ("cloglog", 3.0, -math.expm1(-math.exp(3))),
        ("cloglog", 40.0, 1.0),
        ("cloglog", -40.0, -math.expm1(-math.exp(-40))),
        ("cloglog", 1000.0, 1.0),
        ("cloglog", -1000.0, 0.0),
        ("cloglog", -700.0, math.exp(-700)),
        ("cloglog", -math.inf, 0.0),
    ],
)
def test_a_single_end_far_out(link: Link, eta: float, expected: float) -> None:
    assert hazards([[eta]], link)[0, 0] == pytest.approx(expected, rel=1e-13, abs=0)


@pytest.mark.parametrize("link", ["logit", "cloglog"])
@pytest.mark.parametrize(
    ("eta", "expected"),
    [
        ((1000.0, 1000.0), (0.5, 0.5)),
        ((1000.0, -1000.0), (1.0, 0.0)),
        ((1000.0, 1000.0 - math.log(3)), (0.75, 0.25)),
        ((-1000.0, -1000.0), (0.0, 0.0)),
        ((-math.inf, -math.inf), (0.0, 0.0)),
        ((-math.inf, 1000.0), (0.0, 1.0)),
    ],
)
def test_two_ends_far_out(link: Link, eta: tuple[float, float], expected: tuple[float, float]) -> None:
    assert hazards([[eta[0]], [eta[1]]], link)[:, 0] == pytest.approx(expected, rel=1e-12, abs=0)


@pytest.mark.parametrize("link", ["logit", "cloglog"])
def test_a_rare_end_beside_a_certain_one_keeps_its_digits(link: Link) -> None:
    # the ends share in the ratio of their odds or rates, exp(-80)
    assert hazards([[40.0], [-40.0]], link)[1, 0] == pytest.approx(math.exp(-80), rel=1e-12, abs=0)


@pytest.mark.parametrize(
    ("link", "eta", "expected"),
    [
        ("logit", 40.0, math.exp(-40) / (1 + math.exp(-40))),
        ("logit", 700.0, math.exp(-700)),
        ("logit", 1000.0, 0.0),
        ("logit", -1000.0, 1.0),
        ("logit", -math.inf, 1.0),
        ("cloglog", 3.0, math.exp(-math.exp(3))),
        ("cloglog", 6.0, math.exp(-math.exp(6))),
        ("cloglog", 1000.0, 0.0),
        ("cloglog", -math.inf, 1.0),
    ],
)
def test_going_on_keeps_its_digits_where_hardly_anybody_does(link: Link, eta: float, expected: float) -> None:
    _, going_on = hazards_and_going_on(np.array([[eta]]), link)
    assert going_on[0] == pytest.approx(expected, rel=1e-12, abs=0)


def test_an_end_that_cannot_happen_changes_nothing() -> None:
    eta = np.random.default_rng(2).normal(size=(4, 1, 5))
    never = np.full_like(eta, -np.inf)
    for link in ("logit", "cloglog"):
        both = hazards(np.concatenate([eta, never], axis=1), link)
        assert both[:, :1].tolist() == hazards(eta, link).tolist()
        assert not both[:, 1].any()


# --- laws


@given(predictors, links)
@many
def test_hazards_and_going_on_share_out_one(eta: np.ndarray, link: Link) -> None:
    ending, going_on = hazards_and_going_on(eta, link)
    assert ending.min() >= 0
    assert going_on.min() >= 0
    assert ending.sum(axis=-2) + going_on == pytest.approx(np.ones_like(going_on), abs=1e-14)


@given(predictors, links)
@many
def test_incidence_never_falls_and_sums_to_1_with_those_in_treatment(eta: np.ndarray, link: Link) -> None:
    hazard = hazards(eta, link)
    incidence, staying = cumulative_incidence(hazard), in_treatment(hazard)
    assert np.diff(incidence, axis=-1, prepend=0.0).min() >= 0
    assert np.diff(staying, axis=-1, prepend=1.0).max() <= 0
    assert incidence.sum(axis=-2) + staying == pytest.approx(np.ones_like(staying), abs=1e-13)


@given(st.integers(0, 10**6), st.integers(1, 4))
@many
def test_hazards_of_incidence_undo_incidence(seed: int, ends: int) -> None:
    hazard = some_hazards(seed, ends=ends, sessions=4)
    # 0.05^4 of the cases are left at the end: a rounding error of 1e-16 grows to 2e-11 there
    assert hazards_of_incidence(cumulative_incidence(hazard)) == pytest.approx(hazard, abs=1e-9)


def test_the_order_of_ends_and_of_cases_does_not_matter() -> None:
    hazard = some_hazards(4, cases=5, ends=3)
    incidence = cumulative_incidence(hazard)
    assert cumulative_incidence(hazard[:, [2, 0, 1]]) == pytest.approx(incidence[:, [2, 0, 1]], abs=1e-15)
    assert cumulative_incidence(hazard[3]).tolist() == incidence[3].tolist()


def test_splitting_an_end_in_two_leaves_the_other_as_it_was() -> None:
    hazard = some_hazards(5)
    split = np.stack([hazard[:, 0], 0.3 * hazard[:, 1], 0.7 * hazard[:, 1]], axis=1)
    whole, parts = cumulative_incidence(hazard), cumulative_incidence(split)
    assert parts[:, 0] == pytest.approx(whole[:, 0], abs=1e-15)
    assert parts[:, 1:].sum(axis=1) == pytest.approx(whole[:, 1], abs=1e-15)


def test_sums_past_1_by_rounding_alone_are_let_through_and_leave_nobody_below_0() -> None:
    hazard = [[0.6 + 1e-12, 0.5], [0.4, 0.5]]
    assert in_treatment(hazard).tolist() == [0.0, 0.0]
    assert pmf([[-1e-12, 0.5]]).tolist() == [[0.0, 0.5]]


# --- refusals


def test_a_hazard_outside_0_to_1_is_named_with_its_place() -> None:
    hazard = np.full((3, 2, 4), 0.1)
    hazard[1, 1, 2] = 1.2
    with pytest.raises(ValueError, match=r"hazard 1\.2 at case 2, end 2, session 3 is outside 0 to 1"):
        cumulative_incidence(hazard)


def test_a_hazard_that_is_not_a_number_is_named_without_a_case_where_there_is_one_only() -> None:
    with pytest.raises(ValueError, match=r"hazard nan at end 1, session 2 is outside"):
        in_treatment([[0.1, np.nan]])


@pytest.mark.parametrize("function", [pmf, in_treatment, cumulative_incidence])
def test_hazards_that_add_to_more_than_1_are_named_with_case_and_session(function) -> None:
    hazard = np.full((2, 2, 3), 0.5)
    hazard[1, 0, 2] = 0.75
    with pytest.raises(ValueError, match=r"hazards of the ends add to 1\.25 at case 2, session 3"):
        function(hazard)


def test_an_incidence_that_falls_is_named_with_its_place() -> None:
    falling = [[[0.1, 0.2], [0.1, 0.1]], [[0.1, 0.2], [0.2, 0.1]]]
    with pytest.raises(ValueError, match=r"incidence 0\.1 at case 2, end 2, session 2"):
        hazards_of_incidence(falling)


def test_an_incidence_that_is_not_a_number_is_named_with_its_place() -> None:
    with pytest.raises(ValueError, match=r"incidence nan at end 1, session 1"):
        hazards_of_incidence([[np.nan, 0.2]])


def test_incidences_that_add_to_more_than_1_are_named_with_the_session() -> None:
    with pytest.raises(ValueError, match=r"incidences of the ends add to 1\.2 at session 2"):
        hazards_of_incidence([[0.4, 0.6], [0.4, 0.6]])


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_a_linear_predictor_that_gives_no_hazard_is_named_with_its_place(value: float) -> None:
    eta = np.zeros((2, 2, 3))
    eta[1, 0, 1] = value
    with pytest.raises(ValueError, match=r"at case 2, end 1, session 2 gives no hazard"):
        hazards(eta)


@pytest.mark.parametrize("function", [hazards, pmf, in_treatment, hazards_of_incidence])
def test_a_single_axis_is_refused(function) -> None:
    with pytest.raises(ValueError, match=r"axes \(ends, sessions\)"):
        function([0.1, 0.2])


def test_an_unknown_link_is_refused_with_those_allowed() -> None:
    with pytest.raises(ValueError, match="'probit' is not one of 'logit', 'cloglog'"):
        hazards([[0.0]], "probit")  # type: ignore[arg-type]
