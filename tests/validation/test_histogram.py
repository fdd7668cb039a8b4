"""Probability integral transform and D-calibration: by hand, by law and by simulated error rate."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2, chisquare

from retreat.errors import TableError
from retreat.validation import d_calibration, pit

ROWS = st.lists(
    st.tuples(st.integers(1, 4), st.integers(0, 1), st.sampled_from([0.0, 0.1, 0.25, 0.3, 1 / 3])),
    min_size=1,
    max_size=20,
)


def geometric(rows):
    sessions, ending, hazard = map(np.array, zip(*rows, strict=True))
    return hazard[:, None] * (1 - hazard[:, None]) ** np.arange(3), sessions, ending


def clinic(rng, n, lost=0.15, tilt=0.0):
    """Courses of one end, some lost, and their probabilities to session 12, off by `tilt` in log odds."""
    odds = np.exp(rng.normal(-0.5, 1.0, n))
    told = odds * np.exp(tilt)
    hazard, told = odds / (1 + odds), told / (1 + told)
    sessions, seen = rng.geometric(hazard), rng.geometric(lost, n)
    pmf = told[:, None] * (1 - told[:, None]) ** np.arange(12)
    return pmf, np.minimum(sessions, seen), np.where(seen < sessions, 0, 1)


def test_masses_of_four_eyes_are_as_worked_by_hand():
    pmf = [[0.5, 0.25, 0.0]] * 4  # over by 1, 2, 3: 0.5, 0.75, 0.75
    sessions, ending = [1, 2, 1, 5], [1, 1, 0, 1]

    found = d_calibration(pmf, sessions, ending, bins=4)

    # 0 to 0.5; 0.5 to 0.75; going on after 1: 0.5 to 1; after the horizon: 0.75 to 1
    masses = np.array([[0.5, 0.5, 0, 0], [0, 0, 1, 0], [0, 0, 0.5, 0.5], [0, 0, 0, 1]])
    np.testing.assert_allclose(found.histogram.observed, masses.mean(axis=0), atol=1e-12)
    # 0.5, 0.5, 1.5, 1.5 where 1 is expected
    assert found.statistic == pytest.approx(4 * 0.25, rel=1e-12)


@pytest.mark.parametrize(
    ("pmf", "session", "where"), [([0.0, 1.0], 1, 0), ([0.5, 0.0], 2, 2), ([1.0, 0.0], 2, 3)]
)
def test_a_course_that_ended_as_was_thought_impossible_is_a_point(pmf, session, where):
    found = d_calibration([pmf], [session], [1], bins=4)

    assert found.histogram.observed.tolist() == [b == where for b in range(4)]
    assert pit([pmf], [session], [1], seed=1, bins=4).observed.tolist() == [b == where for b in range(4)]


def test_scale_and_degrees_of_freedom_are_those_of_the_covariance_of_masses():
    # two of three eyes lie in 0 to 0.5 of two bins, one spread over both: masses (1,0), (1,0), (0.5,0.5)
    found = d_calibration([[0.5, 0.5], [0.5, 0.5], [0.0, 1.0]], [1, 1, 2], [1, 1, 1], bins=2)

    # masses 1, 1, 0.5 in bin 1: variance 1/12, covariance (1/12, -1/12), times 2 bins: trace 1/3, squares 1/9
    assert found.scale == pytest.approx(1 / 3, rel=1e-12)
    assert found.degrees_of_freedom == pytest.approx(1.0, rel=1e-12)
    # 2.5 and 0.5 where 1.5 is expected
    assert found.statistic == pytest.approx(2 * 1 / 1.5, rel=1e-12)
    assert found.p == pytest.approx(chi2.sf(2 / 1.5 * 3, 1), rel=1e-12)


def test_with_every_case_in_one_bin_it_is_the_ordinary_chi_squared_test():
    # five sessions of probability 0.2 and five bins
    sessions = np.repeat([1, 2, 3, 4, 5], [200, 220, 190, 180, 210])

    found = d_calibration(np.full((1000, 5), 0.2), sessions, np.ones(1000), bins=5)

    ordinary = chisquare([200, 220, 190, 180, 210])
    assert found.statistic == pytest.approx(ordinary.statistic, rel=1e-9)
    # the covariance is estimated, so scale and degrees of freedom miss 1 and 4 a little
    assert found.degrees_of_freedom == pytest.approx(4.0, rel=0.01)
    assert found.scale == pytest.approx(1.0, rel=0.01)
    assert found.p == pytest.approx(ordinary.pvalue, abs=0.01)


@given(ROWS, st.integers(2, 7))
def test_masses_add_to_1_and_are_not_negative(rows, bins):
    found = d_calibration(*geometric(rows), bins=bins).histogram

    assert found.observed.sum() == pytest.approx(1.0, abs=1e-12)
    assert found.observed.min() >= 0.0
    assert found.expected.tolist() == [1 / bins] * bins
    assert (found.edges[0], found.edges[-1], len(found.edges)) == (0.0, 1.0, bins + 1)


@given(ROWS)
def test_masses_are_the_overlaps_counted_one_by_one(rows):
    pmf, sessions, ending = geometric(rows)
    masses = np.zeros((len(rows), 5))
    for i, over_by in enumerate(np.cumsum(np.column_stack([np.zeros(len(rows)), pmf]), axis=1)):
        seen = bool(ending[i]) and sessions[i] <= 3
        last = min(sessions[i], 3)
        low, high = (over_by[last - 1], over_by[last]) if seen else (over_by[last], 1.0)
        for b in range(5):
            if high > low:
                masses[i, b] = max(0.0, min(high, (b + 1) / 5) - max(low, b / 5)) / (high - low)
            else:
                masses[i, b] = b == min(int(low * 5 + 1e-12), 4)

    found = d_calibration(pmf, sessions, ending, bins=5).histogram.observed

    np.testing.assert_allclose(found, masses.mean(axis=0), atol=1e-9)


@given(ROWS, st.randoms())
def test_d_calibration_does_not_depend_on_the_order_of_cases(rows, random):
    other = random.sample(rows, len(rows))

    one, two = d_calibration(*geometric(rows)), d_calibration(*geometric(other))

    for name in ("statistic", "scale", "degrees_of_freedom", "p"):
        assert getattr(one, name) == pytest.approx(getattr(two, name), abs=1e-9, nan_ok=True)


def test_ends_are_pooled():
    pmf, sessions, ending = clinic(np.random.default_rng(1), 50)
    two_ends = np.stack([pmf * 0.3, pmf * 0.7], axis=1)
    kind = ending * np.random.default_rng(2).integers(1, 3, 50)

    one, two = d_calibration(pmf, sessions, ending), d_calibration(two_ends, sessions, kind)

    np.testing.assert_allclose(two.histogram.observed, one.histogram.observed, atol=1e-12)
    assert two.p == pytest.approx(one.p, rel=1e-9)


def test_the_same_seed_draws_the_same_histogram_and_another_seed_another():
    courses = clinic(np.random.default_rng(1), 60)

    observed = [pit(*courses, seed=seed).observed.tolist() for seed in (1, 1, 2)]

    assert observed[0] == observed[1] != observed[2]


def test_a_course_seen_to_its_end_falls_in_one_bin_and_one_lost_is_spread():
    over = pit([[0.5, 0.5]], [1], [1], seed=1)
    lost = pit([[0.5, 0.5]], [1], [0], seed=1)

    assert sorted(over.observed) == [0.0] * 9 + [1.0]
    np.testing.assert_allclose(lost.observed, [0] * 5 + [0.2] * 5, atol=1e-12)


def test_draws_average_to_the_masses():
    courses = clinic(np.random.default_rng(1), 60)

    draws = [pit(*courses, seed=seed).observed for seed in range(400)]

    # standard error of a share of 60 cases over 400 draws is below 0.003
    np.testing.assert_allclose(np.mean(draws, axis=0), d_calibration(*courses).histogram.observed, atol=0.01)


def test_transform_of_true_probabilities_is_even_and_of_wrong_ones_is_not():
    rng = np.random.default_rng(4)

    true = pit(*clinic(rng, 40_000), seed=1)
    wrong = pit(*clinic(rng, 40_000, tilt=1.0), seed=1)

    # standard error of a share of 40,000 is 0.0015
    np.testing.assert_allclose(true.observed, 0.1, atol=0.006)
    assert wrong.observed[-1] > 0.13  # sooner over is foreseen than is seen


@pytest.mark.parametrize("lost", [0.001, 0.3])
def test_true_probabilities_are_rejected_at_the_rate_told(lost):
    rng = np.random.default_rng(5)
    found = [d_calibration(*clinic(rng, 200, lost)) for _ in range(1000)]
    p = np.array([one.p for one in found])

    # standard errors of a share of 1,000: 0.0069 and 0.0126
    assert np.mean(p < 0.05) == pytest.approx(0.05, abs=0.02)
    assert np.mean(p < 0.2) == pytest.approx(0.2, abs=0.04)
    # as the notes say: held against bins - 1 degrees of freedom it almost never rejects
    plain = chi2.sf([one.statistic for one in found], 9)
    assert np.mean(plain < 0.05) < 0.005


def test_wrong_probabilities_are_rejected():
    rng = np.random.default_rng(6)
    p = [d_calibration(*clinic(rng, 300, tilt=0.7)).p for _ in range(100)]

    assert np.mean(np.array(p) < 0.05) > 0.9


@pytest.mark.parametrize(
    ("sessions", "ending"), [([1], [1]), ([1, 1], [1, 1])], ids=["one case", "all spread alike"]
)
def test_a_test_without_spread_is_missing_and_says_why(sessions, ending):
    found = d_calibration([[0.5, 0.5]] * len(sessions), sessions, ending)

    assert np.isnan([found.p, found.scale, found.degrees_of_freedom]).all()
    assert found.reason == "all cases are spread alike"
    assert found.statistic == pytest.approx(len(sessions), rel=1e-12)  # half of the bins, twice the share


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: pit([[0.5, 0.6]], [1], [1], seed=1), "case at position 0 adds to 1.1"),
        (lambda: d_calibration([[0.5, 0.5]], [1], [1], bins=1), "bins: value 1; allowed: at least 2"),
        (lambda: d_calibration([[0.5, 0.5]], [1], [2]), "ending: 1 of 1"),
        (lambda: d_calibration([[0.5, -0.5]], [1], [1]), "pmf: 1 of 1"),
        (lambda: d_calibration([[0.5, 0.5]], [1, 1], [1, 1]), "pmf: shape"),
    ],
)
def test_input_of_the_wrong_form_is_refused(call, message):
    with pytest.raises(TableError, match=message):
        call()
