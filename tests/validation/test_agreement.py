"""Calibration of a yes-or-no outcome by hand, by law and by simulation."""

import dataclasses
from math import log, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from retreat.errors import TableError
from retreat.validation import calibration

# Twenty eyes: of ten given 0.2 four were relieved, of ten given 0.8 six.
PREDICTED = [0.2] * 10 + [0.8] * 10
OUTCOMES = [1] * 4 + [0] * 6 + [1] * 6 + [0] * 4


def numbers(found):
    """All plain numbers of the record, flat."""
    flat = []
    for field in dataclasses.fields(found):
        value = getattr(found, field.name)
        if isinstance(value, float):
            flat.append(value)
        elif isinstance(value, tuple):
            flat += value
        elif dataclasses.is_dataclass(value):
            flat += [x for name in dataclasses.asdict(value).values() for x in name]
    return np.array(flat)


def simulated(seed, n=400, distort=lambda lp: lp):
    rng = np.random.default_rng(seed)
    lp = rng.normal(-0.5, 1.2, n)
    p = 1 / (1 + np.exp(-lp))
    outcomes = rng.random(n) < 1 / (1 + np.exp(-distort(lp)))
    return p, outcomes


def test_slope_of_two_predictions_is_as_worked_by_hand():
    # the line runs through the observed log odds: (logit 0.6 - logit 0.4) / (logit 0.8 - logit 0.2)
    assert calibration(PREDICTED, OUTCOMES).slope == pytest.approx(log(1.5) / log(4), rel=1e-10)


def test_standard_error_of_the_slope_of_two_predictions_is_as_worked_by_hand():
    # a log odds ratio has variance 1/4 + 1/6 + 1/6 + 1/4, over a distance of 2 log 4
    expected = sqrt(1 / 4 + 1 / 6 + 1 / 6 + 1 / 4) / (2 * log(4))
    assert calibration(PREDICTED, OUTCOMES).slope_standard_error == pytest.approx(expected, rel=1e-10)


def test_interval_of_the_slope_is_the_normal_one_of_its_level():
    found = calibration(PREDICTED, OUTCOMES, level=0.9)

    # 1.6448536: normal quantile 0.95
    reach = 1.6448536269514722 * found.slope_standard_error
    assert found.slope_interval == pytest.approx((found.slope - reach, found.slope + reach), rel=1e-12)


def test_calibration_in_the_large_of_one_prediction_is_as_worked_by_hand():
    found = calibration([0.2] * 10, [1] * 4 + [0] * 6)

    # logit 0.4 - logit 0.2, variance 1 / (10 * 0.4 * 0.6)
    assert found.in_the_large == pytest.approx(log(0.4 / 0.6) - log(0.2 / 0.8), rel=1e-10)
    assert found.in_the_large_standard_error == pytest.approx(1 / sqrt(2.4), rel=1e-10)


def test_observed_over_expected_of_one_prediction_is_as_worked_by_hand():
    found = calibration([0.2] * 10, [1] * 4 + [0] * 6)

    assert found.observed_expected == pytest.approx(2.0, rel=1e-12)
    # Wilson interval of 4 in 10 (z = 1.959964), divided by 0.2
    z = 1.959963984540054
    centre, half = (0.4 + z * z / 20) / (1 + z * z / 10), z / (1 + z * z / 10) * sqrt(0.024 + z * z / 400)
    low, high = (centre - half) / 0.2, (centre + half) / 0.2
    assert found.observed_expected_interval == pytest.approx((low, high), rel=1e-10)


def test_distances_of_two_predictions_are_as_worked_by_hand():
    found = calibration(PREDICTED, OUTCOMES)

    # too few eyes for a spline: the line through 0.4 and 0.6 is 0.2 away from both predictions
    assert found.smoother == "logistic regression on the logit"
    assert (found.ici, found.e50, found.e90, found.emax) == pytest.approx((0.2,) * 4, rel=1e-8)


def test_distances_differ_when_the_curve_does():
    # of twenty given 0.2 four were relieved as predicted; of twenty given 0.8 twelve: distances 0 and 0.2
    found = calibration(PREDICTED, [1] * 2 + [0] * 8 + [1] * 6 + [0] * 4, weights=[2] * 20)

    assert (found.ici, found.e50, found.e90, found.emax) == pytest.approx((0.1, 0.1, 0.2, 0.2), abs=1e-8)


def test_equal_predictions_stay_in_one_group():
    points = calibration(PREDICTED, OUTCOMES).points

    assert points.n.tolist() == [10, 10]
    np.testing.assert_allclose(points.predicted, [0.2, 0.8], rtol=1e-12)
    np.testing.assert_allclose(points.observed, [0.4, 0.6], rtol=1e-12)


def test_groups_are_fifths_when_predictions_differ():
    p, outcomes = simulated(1)

    points = calibration(p, outcomes).points

    assert points.n.tolist() == [80] * 5
    by_fifth = np.sort(p).reshape(5, 80)
    np.testing.assert_allclose(points.predicted, by_fifth.mean(axis=1), rtol=1e-12)


@pytest.mark.parametrize(
    ("probabilities", "outcomes", "missing", "reason"),
    [
        ([0.2, 0.3, 0.4], [0, 0, 0], ["in_the_large", "slope", "intercept", "ici"], "all outcomes are equal"),
        ([0.2, 0.3, 0.4], [1, 1, 1], ["in_the_large", "slope", "intercept", "ici"], "all outcomes are equal"),
        (
            [0.3, 0.3, 0.3],
            [0, 1, 0],
            ["slope", "intercept", "slope_standard_error", "unreliability"],
            "all predictions are equal, so there is no slope",
        ),
        (
            [0.0, 0.3, 0.6, 1.0],
            [0, 1, 0, 1],
            ["in_the_large", "slope", "ici"],
            "2 predictions are exactly 0 or 1, whose logit is infinite",
        ),
        (
            [0.1, 0.2, 0.7, 0.8] * 5,
            [0, 0, 1, 1] * 5,
            ["slope", "intercept", "ici"],
            "the predictions separate the outcomes: no finite slope; no smooth curve could be fitted",
        ),
        (
            [0.1, 0.3, 0.7, 0.8] * 9,
            [0, 1, 0, 0] * 9,
            ["slope", "intercept", "ici"],
            "about 9 of the rarer outcome: a slope needs 10; no smooth curve could be fitted",
        ),
    ],
)
def test_what_cannot_be_estimated_is_missing_with_its_reason(probabilities, outcomes, missing, reason):
    found = calibration(probabilities, outcomes)

    assert found.reason == reason
    assert all(np.isnan(getattr(found, name)) for name in missing)


def test_in_the_large_is_still_given_where_only_the_slope_is_missing():
    found = calibration([0.1, 0.2, 0.7, 0.8], [0, 0, 1, 1])

    # score zero: sum of expit(a + logit p) = 2; symmetric only if a solves it, checked by its definition
    lp = np.log(np.array([0.1, 0.2, 0.7, 0.8]) / np.array([0.9, 0.8, 0.3, 0.2]))
    assert np.sum(1 / (1 + np.exp(-found.in_the_large - lp))) == pytest.approx(2.0, abs=1e-10)


def test_no_event_still_has_an_observed_share_and_an_interval():
    found = calibration([0.2] * 10, [0] * 10)

    # Wilson upper end of 0 in 10: z^2 / (10 + z^2)
    z = 1.959963984540054
    assert found.observed_interval == pytest.approx((0.0, z * z / (10 + z * z)), abs=1e-12)


def test_observed_has_no_ratio_to_expected_when_all_predictions_are_0():
    found = calibration([0.0, 0.0], [0, 1])

    assert np.isnan(found.observed_expected)
    assert "no ratio to expected" in found.reason


def test_predictions_near_0_and_1_give_finite_numbers():
    rng = np.random.default_rng(3)
    lp = rng.choice([-40.0, -3.0, 0.0, 3.0, 40.0], 300)
    p = np.clip(1 / (1 + np.exp(-lp)), 1e-17, 1 - 1e-16)
    outcomes = rng.random(300) < p

    found = calibration(p, outcomes)

    assert np.isfinite([found.slope, found.in_the_large, found.ici]).all()


@pytest.mark.parametrize(
    ("n_rarer", "knots"), [(40, "5 knots"), (39, "4 knots"), (29, "3 knots"), (19, "the logit")]
)
def test_the_smooth_curve_bends_no_more_than_the_rarer_outcome_bears(n_rarer, knots):
    p = np.random.default_rng(5).uniform(0.05, 0.6, 200)
    outcomes = np.zeros(200)
    outcomes[np.random.default_rng(6).choice(200, n_rarer, replace=False)] = 1

    assert calibration(p, outcomes).smoother.endswith(knots)


def test_a_prediction_with_coinciding_knots_falls_back_to_a_simpler_curve():
    p = np.tile([0.1, 0.5, 0.9], 100)
    outcomes = np.tile([0, 1, 1, 0, 0, 1, 1, 1, 0, 0, 0, 1], 25)

    assert calibration(p, outcomes).smoother.endswith("3 knots")


def test_the_smooth_curve_lies_within_its_interval_and_spans_the_predictions():
    p, outcomes = simulated(2)
    curve = calibration(p, outcomes).curve

    assert curve.predicted[[0, -1]] == pytest.approx([p.min(), p.max()], rel=1e-12)
    assert np.all((curve.low < curve.observed) & (curve.observed < curve.high))


def test_multiplying_the_log_odds_divides_the_slope():
    p, outcomes = simulated(3)
    stretched = 1 / (1 + np.exp(-2 * np.log(p / (1 - p))))

    assert calibration(stretched, outcomes).slope == pytest.approx(
        calibration(p, outcomes).slope / 2, rel=1e-9
    )


def test_predicting_the_complement_mirrors_the_record():
    p, outcomes = simulated(4)
    one, other = calibration(p, outcomes), calibration(1 - p, ~outcomes)

    assert other.in_the_large == pytest.approx(-one.in_the_large, rel=1e-8)
    assert other.slope == pytest.approx(one.slope, rel=1e-8)
    assert other.ici == pytest.approx(one.ici, rel=1e-6)  # knots mirror, their spline basis only in span


@given(st.integers(0, 1000))
def test_a_row_of_weight_2_is_calibrated_as_two_rows(seed):
    p, outcomes = simulated(seed, n=120)
    times = np.random.default_rng(seed).integers(0, 4, 120)

    weighted = calibration(p, outcomes, weights=times)
    repeated = calibration(np.repeat(p, times), np.repeat(outcomes, times))

    assert weighted.smoother == repeated.smoother
    np.testing.assert_allclose(numbers(weighted), numbers(repeated), rtol=1e-6, atol=1e-9)


@given(st.integers(0, 1000))
def test_calibration_does_not_depend_on_the_order_of_cases(seed):
    p, outcomes = simulated(seed, n=120)
    order = np.random.default_rng(seed).permutation(120)

    # Newton's sums round differently in another order
    np.testing.assert_allclose(
        numbers(calibration(p, outcomes)),
        numbers(calibration(p[order], outcomes[order])),
        rtol=1e-6,
        atol=1e-9,
    )


def test_intervals_of_true_probabilities_hold_the_ideal_values_as_often_as_they_say():
    runs = 400
    held = np.zeros(3)
    rejected = 0
    for seed in range(runs):
        found = calibration(*simulated(seed, n=300))
        held += [
            found.slope_interval[0] < 1 < found.slope_interval[1],
            found.in_the_large_interval[0] < 0 < found.in_the_large_interval[1],
            found.observed_expected_interval[0] < 1 < found.observed_expected_interval[1],
        ]
        rejected += found.unreliability_p < 0.05

    # 3.5 Monte Carlo standard errors around 95%. Observed over expected takes predictions as fixed, while
    # Wilson's interval also allows for cases of differing risk, which makes it wide: only its lower limit.
    error = 3.5 * sqrt(0.95 * 0.05 / runs)
    np.testing.assert_allclose(held[:2] / runs, 0.95, atol=error)
    assert held[2] / runs > 0.95 - error
    assert rejected / runs == pytest.approx(0.05, abs=error)


def test_too_extreme_predictions_are_found_out():
    p, outcomes = simulated(7, n=20_000, distort=lambda lp: 0.3 + 0.6 * lp)
    found = calibration(p, outcomes)

    # four standard errors of the fit itself
    assert found.slope == pytest.approx(0.6, abs=4 * found.slope_standard_error)
    assert found.intercept == pytest.approx(0.3, abs=4 * found.intercept_standard_error)
    assert found.slope_standard_error < 0.03


def test_the_smooth_curve_of_a_known_distortion_runs_along_it():
    def bent(lp):
        return 0.5 * lp + 0.2 * lp**2

    p, outcomes = simulated(8, n=50_000, distort=bent)
    curve = calibration(p, outcomes).curve

    # between the outer knots, outside which the spline is straight by construction
    within = (curve.predicted > np.quantile(p, 0.05)) & (curve.predicted < np.quantile(p, 0.95))
    lp = np.log(curve.predicted / (1 - curve.predicted))[within]
    # 0.02: four standard errors of the curve at its least certain point, 0.005 with 50,000 cases
    np.testing.assert_allclose(curve.observed[within], 1 / (1 + np.exp(-bent(lp))), atol=0.02)


def test_a_level_outside_0_to_1_is_refused():
    with pytest.raises(ValueError, match="level 95"):
        calibration(PREDICTED, OUTCOMES, level=95)


def test_weights_of_another_length_are_refused():
    with pytest.raises(TableError, match="different lengths"):
        calibration(PREDICTED, OUTCOMES, weights=[1, 2])
