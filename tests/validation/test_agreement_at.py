"""Calibration of the incidence of an end by a session: by hand, by law and by simulation."""

from math import sqrt

import numpy as np
import pytest

from retreat.errors import TableError
from retreat.validation import aalen_johansen, calibration, calibration_at, pseudo_values


def clinic(seed, n=300, lost=0.15, eyes=1):
    """Courses of two ends from a known hazard, some lost, and the true incidence of end 1 after 3 sessions.

    With two eyes a patient both are the same eye twice, the strongest likeness there is.
    """
    rng = np.random.default_rng(seed)
    x = rng.normal(size=n)
    odds = np.column_stack([np.exp(-0.5 + x), np.full(n, 0.15)])
    hazard = odds / (1 + odds.sum(axis=1, keepdims=True))  # (n, ends), the same at every session
    stay = 1 - hazard.sum(axis=1)
    truth = hazard[:, 0] * (1 - stay**3) / (1 - stay)
    sessions = rng.geometric(1 - stay)
    ending = np.where(rng.random(n) < hazard[:, 0] / (1 - stay), 1, 2)
    seen = rng.geometric(lost, n) if lost else np.full(n, 100)
    ending = np.where(seen < sessions, 0, ending)
    return tuple(np.repeat(a, eyes) for a in (truth, np.minimum(sessions, seen), ending))


def test_observed_is_the_aalen_johansen_incidence():
    truth, sessions, ending = clinic(1)

    found = calibration_at(truth, sessions, ending, end=2, horizon=3)

    expected = aalen_johansen(sessions, ending).incidence[1, 2]
    assert found.observed == pytest.approx(expected, rel=1e-12)
    assert found.observed_expected == pytest.approx(expected / truth.mean(), rel=1e-12)


def test_in_the_large_of_one_prediction_is_the_log_odds_of_the_mean_pseudo_value():
    # four eyes: relieved at 1, lost after 1, relieved at 2, going on after 2; pseudo-values 1, 0.5, 1.5, -0.5
    found = calibration_at([0.5] * 4, [1, 1, 2, 2], [1, 0, 1, 0], end=1, horizon=2)

    # mean 0.625, prediction of log odds 0
    assert found.in_the_large == pytest.approx(np.log(0.625 / 0.375), rel=1e-10)
    # sandwich: sum of (value - mean)^2 = 2.1875, times 4/3, over (4 * 0.625 * 0.375)^2
    assert found.in_the_large_standard_error == pytest.approx(
        sqrt(2.1875 * 4 / 3) / (4 * 0.625 * 0.375), rel=1e-10
    )


def test_interval_of_observed_has_the_jackknife_number_of_independent_cases():
    found = calibration_at([0.5] * 4, [1, 1, 2, 2], [1, 0, 1, 0], end=1, horizon=2)

    # F = 5/8, sum of squares about it 2.1875 * 4/3: as many cases as give F (1 - F) / n
    n = 0.625 * 0.375 / (2.1875 * 4 / 3 / 16)
    z = 1.959963984540054
    centre = (0.625 + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * sqrt(0.625 * 0.375 / n + z * z / (4 * n * n))
    assert found.observed_interval == pytest.approx((centre - half, centre + half), rel=1e-10)


def test_calibration_is_the_binary_one_when_nobody_is_lost():
    truth, sessions, ending = clinic(2, lost=0)
    happened = (ending == 1) & (sessions <= 3)

    by_course, plain = calibration_at(truth, sessions, ending, end=1, horizon=3), calibration(truth, happened)

    names = ["observed", "expected", "in_the_large", "slope", "intercept", "ici", "e50", "e90", "emax"]
    for name in names:
        assert getattr(by_course, name) == pytest.approx(getattr(plain, name), rel=1e-7), name
    np.testing.assert_allclose(by_course.points.observed, plain.points.observed, atol=1e-12)


def test_grouped_points_are_the_aalen_johansen_incidence_of_each_fifth():
    truth, sessions, ending = clinic(3)

    points = calibration_at(truth, sessions, ending, end=1, horizon=3).points

    fifths = np.argsort(truth).reshape(5, 60)
    expected = [aalen_johansen(sessions[f], ending[f], horizon=3).incidence[0, 2] for f in fifths]
    np.testing.assert_allclose(points.observed, expected, rtol=1e-12)
    assert np.all((points.low < points.observed) & (points.observed < points.high))


def test_two_like_eyes_of_each_patient_count_as_one_when_grouped():
    truth, sessions, ending = clinic(4)
    single = calibration_at(truth, sessions, ending, end=1, horizon=3)
    both = [np.repeat(a, 2) for a in (truth, sessions, ending)]

    grouped = calibration_at(*both, end=1, horizon=3, groups=np.repeat(np.arange(300), 2))

    assert grouped.slope == pytest.approx(single.slope, rel=1e-2)
    # leaving out one eye of two moves the estimate a little less than one of one: pseudo-values differ by 1/n
    assert grouped.slope_standard_error == pytest.approx(single.slope_standard_error, rel=1e-2)
    assert grouped.observed_interval == pytest.approx(single.observed_interval, rel=1e-2)


def test_two_like_eyes_not_grouped_pretend_to_know_more():
    courses = clinic(4, eyes=2)

    ungrouped = calibration_at(*courses, end=1, horizon=3)
    grouped = calibration_at(*courses, end=1, horizon=3, groups=np.repeat(np.arange(300), 2))

    assert grouped.slope_standard_error == pytest.approx(sqrt(2) * ungrouped.slope_standard_error, rel=5e-3)


def test_a_case_of_weight_2_is_calibrated_as_two_cases():
    truth, sessions, ending = clinic(5)
    times = np.random.default_rng(5).integers(0, 4, 300)

    weighted = calibration_at(truth, sessions, ending, end=1, horizon=3, weights=times)
    repeated = calibration_at(*(np.repeat(a, times) for a in (truth, sessions, ending)), end=1, horizon=3)

    for name in ("observed", "in_the_large", "slope", "slope_standard_error", "ici", "e90", "unreliability"):
        assert getattr(weighted, name) == pytest.approx(getattr(repeated, name), rel=1e-7), name
    np.testing.assert_allclose(weighted.points.low, repeated.points.low, rtol=1e-7)


def test_a_case_of_weight_2_is_two_cases_of_its_group():
    truth, sessions, ending = clinic(5)
    patient = np.arange(300) // 3
    times = np.random.default_rng(5).integers(0, 4, 300)
    rows = (np.repeat(a, times) for a in (truth, sessions, ending))

    weighted = calibration_at(truth, sessions, ending, end=1, horizon=3, weights=times, groups=patient)
    repeated = calibration_at(*rows, end=1, horizon=3, groups=np.repeat(patient, times))

    assert weighted.slope_standard_error == pytest.approx(repeated.slope_standard_error, rel=1e-7)
    assert weighted.observed_interval == pytest.approx(repeated.observed_interval, rel=1e-7)


def test_calibration_does_not_depend_on_the_order_of_cases():
    truth, sessions, ending = clinic(6)
    order = np.random.default_rng(6).permutation(300)

    one = calibration_at(truth, sessions, ending, end=1, horizon=3)
    other = calibration_at(truth[order], sessions[order], ending[order], end=1, horizon=3)

    for name in ("observed", "in_the_large", "slope", "slope_standard_error", "ici", "emax"):
        assert getattr(one, name) == pytest.approx(getattr(other, name), rel=1e-7), name


def test_nothing_observed_is_given_beyond_the_follow_up():
    found = calibration_at([0.4, 0.5, 0.6], [1, 2, 2], [1, 1, 0], end=1, horizon=3)

    assert np.isnan([found.observed, found.observed_expected, found.slope, found.ici]).all()
    # each of these eyes is a group of its own, and of the first two all is known: they ended
    assert np.isnan(found.points.observed).tolist() == [False, False, True]
    assert found.reason == "no case still in treatment was followed to this session"


def test_an_end_never_seen_has_observed_0_and_no_slope():
    found = calibration_at([0.1, 0.2, 0.3], [1, 2, 2], [1, 1, 0], end=2, horizon=2)

    assert found.observed == 0.0
    assert found.observed_interval[1] > 0.3
    assert found.reason == "all outcomes are equal"


def test_a_fifth_that_was_not_followed_has_no_observed_share():
    # the two eyes of the lowest prediction were lost after the first session
    prediction = [0.1, 0.1, 0.3, 0.3, 0.5, 0.5, 0.7, 0.7, 0.9, 0.9]
    found = calibration_at(prediction, [1, 1] + [2] * 8, [0, 0] + [1, 0] * 4, end=1, horizon=2)

    assert np.isnan(found.points.observed).tolist() == [True, False, False, False, False]


def test_pseudo_values_carry_the_regression():
    # independent check of slope and intercept: their two estimating equations hold
    truth, sessions, ending = clinic(7)
    found = calibration_at(truth, sessions, ending, end=1, horizon=3)

    lp = np.log(truth / (1 - truth))
    residual = pseudo_values(sessions, ending, end=1, horizon=3) - 1 / (
        1 + np.exp(-found.intercept - found.slope * lp)
    )
    assert np.sum(residual) == pytest.approx(0.0, abs=1e-8)
    assert np.sum(residual * lp) == pytest.approx(0.0, abs=1e-8)


@pytest.mark.parametrize("eyes", [1, 2])
def test_intervals_of_true_incidences_hold_the_ideal_values_as_often_as_they_say(eyes):
    runs, held, rejected = 300, np.zeros(3), 0
    for seed in range(runs):
        courses = clinic(1000 + seed, n=300, eyes=eyes)
        found = calibration_at(*courses, end=1, horizon=3, groups=np.repeat(np.arange(300), eyes))
        held += [
            found.slope_interval[0] < 1 < found.slope_interval[1],
            found.in_the_large_interval[0] < 0 < found.in_the_large_interval[1],
            found.observed_expected_interval[0] < 1 < found.observed_expected_interval[1],
        ]
        rejected += found.unreliability_p < 0.05

    # 3.5 Monte Carlo standard errors; observed over expected is wide because predictions are taken as fixed
    error = 3.5 * sqrt(0.95 * 0.05 / runs)
    np.testing.assert_allclose(held[:2] / runs, 0.95, atol=error)
    assert held[2] / runs > 0.95 - error
    assert rejected / runs == pytest.approx(0.05, abs=error)


def test_true_incidences_are_calibrated_on_many_cases():
    found = calibration_at(*clinic(8, n=40_000), end=1, horizon=3)

    # four standard errors of each
    assert found.slope == pytest.approx(1.0, abs=4 * found.slope_standard_error)
    assert found.in_the_large == pytest.approx(0.0, abs=4 * found.in_the_large_standard_error)
    # 0.01: a curve of five coefficients wavers by about sqrt(5 / 40000) on the scale of a share
    assert found.ici < 0.01


def test_taking_the_lost_for_not_relieved_would_be_out_of_calibration():
    truth, sessions, ending = clinic(9, n=20_000)

    naive = calibration(truth, (ending == 1) & (sessions <= 3))
    honest = calibration_at(truth, sessions, ending, end=1, horizon=3)

    assert naive.observed_expected < 0.95
    assert honest.observed_expected == pytest.approx(1.0, abs=0.03)  # four standard errors


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"end": 0}, "end: value 0"),
        ({"horizon": 0}, "horizon: value 0"),
        ({"groups": [1]}, "groups: shape"),
        ({"weights": [0.5, 1, 1]}, "whole numbers"),
        ({"incidence": [0.5, 1.5, 0.5]}, "incidence: 1 of 3"),
    ],
)
def test_what_is_wrong_is_refused_with_its_place(change, message):
    arguments = {
        "incidence": [0.4, 0.5, 0.6],
        "sessions": [1, 2, 2],
        "ending": [1, 0, 1],
        "end": 1,
        "horizon": 2,
    } | change

    with pytest.raises(TableError, match=message):
        calibration_at(**arguments)
