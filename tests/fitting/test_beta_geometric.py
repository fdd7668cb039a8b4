"""Trials until success when cases differ in their chance: by hand, laws, recovery, refusals."""

import inspect
import math

import numpy as np
import pandas as pd
import pytest
import test_conventions as conventions
from hypothesis import given, reject, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from scipy.special import betaln
from scipy.stats import chi2
from simulated_courses import draw

from retreat.errors import ExtrapolationWarning, FitError
from retreat.fitting import BetaGeometric
from retreat.validation import validate_estimator

NOTHING = np.zeros((1, 0))
# (session, ending) of the four cells of two sessions
CELLS = [1, 2, 2], [1, 1, 0]


def fit_cells(first, second, left, **keywords):
    """Successes at sessions 1 and 2 and those still going, as weights."""
    return BetaGeometric().fit(np.zeros((3, 0)), *CELLS, weights=[first, second, left], **keywords)


def draw_courses(seed, *, n, theta, intercept=-0.3, effects=(0.6, -0.4), last=6):
    """Each case draws its own chance from the beta distribution, then tries; seen for 1 to `last` sessions."""
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(n, len(effects)))
    mean = 1 / (1 + np.exp(-(intercept + X @ np.array(effects))))
    chance = rng.beta(mean / theta, (1 - mean) / theta) if theta else mean
    success = rng.geometric(np.maximum(chance, 1e-12))
    seen = rng.integers(1, last + 1, size=n)
    return X, np.minimum(success, seen), (success <= seen).astype(int)


# by hand


def test_two_sessions_give_the_ratio_of_the_hazards():
    """Of 8, 4 succeed at session 1; of the 4 left, 1: hazards 1/2 and 1/4 = (1/2) / (1 + theta)."""
    m = fit_cells(4, 1, 3)

    assert m.heterogeneity_ == pytest.approx(1.0, abs=1e-9)
    assert (m.alpha_, m.beta_) == pytest.approx((0.5, 0.5), abs=1e-9)
    assert m.log_likelihood_ == pytest.approx(8 * math.log(1 / 2) + math.log(1 / 4) + 3 * math.log(3 / 4))
    assert m.log_likelihood_geometric_ == pytest.approx(5 * math.log(5 / 12) + 7 * math.log(7 / 12))
    assert m.note_ == ""


def test_the_covariance_of_two_sessions_is_that_of_two_binomials():
    """logit h1: 1/4 + 1/4. log(1 + theta) = log h1 - log h2: (1/2)/4 + (3/4)/1 = 7/8; d log theta = 2 of it.

    Together: 2 cov(logit h1, log h1) = 2 (1 - h1) / 2 = 1/2.
    """
    np.testing.assert_allclose(fit_cells(4, 1, 3).covariance_, [[0.5, 0.5], [0.5, 3.5]], rtol=1e-7)


def test_two_groups_with_the_same_fall_differ_by_their_log_odds():
    """x = 0: 4 of 8, then 1 of 4. x = 1: 8 of 32, then 3 of 24. Both fall by half: theta 1, odds 1 and 1/3."""
    m = BetaGeometric().fit(
        [[0.0]] * 3 + [[1.0]] * 3, CELLS[0] * 2, CELLS[1] * 2, weights=[4, 1, 3, 8, 3, 21]
    )

    assert m.heterogeneity_ == pytest.approx(1.0, abs=1e-9)
    assert m.intercept_ == pytest.approx(0.0, abs=1e-9)
    assert m.coef_ == pytest.approx([-math.log(3)], abs=1e-9)
    assert m.alpha_ == pytest.approx(0.5, abs=1e-9)


@pytest.mark.parametrize("counts", [(4, 2, 2), (2, 3, 3), (1, 5, 2)])
def test_hazards_that_do_not_fall_give_the_geometric_law(counts):
    """4 of 8 then 2 of 4 is level; the others rise. The chance is successes over sessions gone through."""
    m = fit_cells(*counts)

    chance = (counts[0] + counts[1]) / (sum(counts) + counts[1] + counts[2])
    assert m.heterogeneity_ == 0
    assert (m.alpha_, m.beta_) == (math.inf, math.inf)
    assert "theta = 0" in m.note_
    assert np.isnan(m.covariance_).all()
    assert m.log_likelihood_ == m.log_likelihood_geometric_
    np.testing.assert_allclose(m.predict_hazard(NOTHING), chance, rtol=1e-9)
    np.testing.assert_allclose(m.predict_incidence(NOTHING), [[[chance, 1 - (1 - chance) ** 2]]], rtol=1e-9)


@pytest.mark.parametrize("fall", [1e-7, 1e-3, 1e3, 1e6])
def test_almost_none_and_almost_all_heterogeneity_are_exact(fall):
    """Hazards 1/2 and (1/2) / (1 + fall) of 2e9: alpha is 5,000,000 at the smallest fall."""
    second = 1e9 * 0.5 / (1 + fall)

    m = fit_cells(1e9, second, 1e9 - second)

    assert m.heterogeneity_ == pytest.approx(fall, rel=1e-6)
    assert m.alpha_ == pytest.approx(0.5 / fall, rel=1e-6)


def test_a_long_course_needs_no_large_gamma_function():
    """999 sessions at a level hazard of 1/500, all counts as expected: nothing overflows, theta is 0."""
    k = np.arange(1, 1000)
    going = 0.998 ** (k - 1)

    m = BetaGeometric().fit(
        np.zeros((1000, 0)), [*k, 999], [1] * 999 + [0], weights=[*(going * 0.002), 0.998**999]
    )

    assert m.heterogeneity_ == pytest.approx(0, abs=1e-9)
    assert m.predict_hazard(NOTHING)[0, 0, 0] == pytest.approx(0.002, rel=1e-9)


def test_the_test_halves_the_tail_of_chi_squared():
    """2 (8 log 1/2 + log 1/4 + 3 log 3/4 - 5 log 5/12 - 7 log 7/12) = 0.716."""
    found = fit_cells(4, 1, 3).heterogeneity_test()

    gain = 8 * math.log(1 / 2) + math.log(1 / 4) + 3 * math.log(3 / 4)
    gain -= 5 * math.log(5 / 12) + 7 * math.log(7 / 12)
    assert found.statistic == pytest.approx(2 * gain, abs=1e-9)
    assert found.p_value == pytest.approx(chi2.sf(2 * gain, 1) / 2, rel=1e-8)


def test_the_test_of_a_geometric_fit_is_certain_of_nothing():
    found = fit_cells(2, 3, 3).heterogeneity_test()

    assert (found.statistic, found.p_value) == (0.0, 1.0)


def test_sessions_done_leave_the_posterior_beta_distribution():
    m = BetaGeometric().fit(*draw_courses(1, n=300, theta=0.5, effects=()))
    a, b = m.alpha_, m.beta_

    with pytest.warns(ExtrapolationWarning, match="sessions 7 to 9"):
        given_4 = m.predict_incidence(NOTHING, 9, done=4)[0, 0]

    assert (given_4[:4] == 0).all()
    further = -np.expm1(betaln(a, b + 4 + np.arange(1, 6)) - betaln(a, b + 4))
    np.testing.assert_allclose(given_4[4:], further, rtol=1e-10)


def test_each_case_has_its_own_sessions_done():
    X, *outcome = draw_courses(2, n=200, theta=0.5)
    m = BetaGeometric().fit(X, *outcome)

    together = m.predict_incidence(X[:3], done=[0, 2, 6])

    for i, done in enumerate([0, 2, 6]):
        np.testing.assert_array_equal(together[i], m.predict_incidence(X[[i]], done=done)[0])
    assert (together[2] == 0).all()  # nothing can follow the sixth of six sessions


# laws


def assert_same_fit(one, other, tolerance=1e-6):
    for name in ("intercept_", "coef_", "heterogeneity_", "covariance_", "log_likelihood_"):
        np.testing.assert_allclose(
            getattr(one, name), getattr(other, name), rtol=tolerance, atol=tolerance, err_msg=name
        )


SEEDS = {"seed": st.integers(0, 10_000), "theta": st.sampled_from([0.0, 0.2, 1.0])}


@settings(max_examples=15, deadline=None)
@given(**SEEDS)
def test_weight_two_is_the_row_twice_and_weight_nothing_no_row(seed, theta):
    X, sessions, ending = draw_courses(seed, n=200, theta=theta)
    times = np.random.default_rng(seed).integers(0, 3, size=200)
    row = np.repeat(np.arange(200), times)

    weighted = BetaGeometric().fit(X, sessions, ending, weights=times)
    repeated = BetaGeometric().fit(X[row], sessions[row], ending[row])

    assert_same_fit(weighted, repeated)


@settings(max_examples=15, deadline=None)
@given(**SEEDS)
def test_neither_the_order_of_rows_nor_the_unit_of_a_column_matters(seed, theta):
    X, sessions, ending = draw_courses(seed, n=200, theta=theta)
    order = np.random.default_rng(seed).permutation(200)

    plain = BetaGeometric().fit(X, sessions, ending)
    other = BetaGeometric().fit(X[order] * [10.0, 0.1] + [3.0, -2.0], sessions[order], ending[order])

    np.testing.assert_allclose(other.coef_ * [10.0, 0.1], plain.coef_, rtol=1e-6, atol=1e-6)
    assert other.intercept_ + other.coef_ @ [3.0, -2.0] == pytest.approx(plain.intercept_, abs=1e-6)
    assert other.heterogeneity_ == pytest.approx(plain.heterogeneity_, abs=1e-6)
    assert other.log_likelihood_ == pytest.approx(plain.log_likelihood_, abs=1e-8)


@settings(max_examples=15, deadline=None)
@given(done=st.integers(0, 6), **SEEDS)
def test_incidence_never_falls_and_the_hazard_of_those_still_going_never_rises(seed, theta, done):
    X, *outcome = draw_courses(seed, n=150, theta=theta)
    m = BetaGeometric().fit(X, *outcome)

    hazards, incidence = m.predict_hazard(X), m.predict_incidence(X, done=done)

    assert (np.diff(hazards, axis=2) <= 0).all()
    assert (np.diff(incidence, axis=2) >= 0).all()
    assert ((incidence >= 0) & (incidence <= 1)).all()
    assert m.log_likelihood_ >= m.log_likelihood_geometric_
    assert m.heterogeneity_test().p_value <= 0.5 or m.heterogeneity_ == 0


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_the_covariance_is_the_inverse_curvature_of_the_likelihood_by_beta_functions(seed):
    """Second differences of the beta-function likelihood, which shares no code with the fit (hence 1e-3)."""
    X, sessions, ending = draw_courses(seed, n=300, theta=1.0)
    m = BetaGeometric().fit(X, sessions, ending)
    at = np.array([m.intercept_, math.log(m.heterogeneity_), *m.coef_])

    def value(parameters):
        mean = 1 / (1 + np.exp(-(parameters[0] + X @ parameters[2:])))
        a, b = mean / np.exp(parameters[1]), (1 - mean) / np.exp(parameters[1])
        return (betaln(a + ending, b + sessions - ending) - betaln(a, b)).sum()

    step = 1e-3 * np.eye(4)
    curvature = [
        [value(at + i + j) - value(at + i - j) - value(at - i + j) + value(at - i - j) for j in step]
        for i in step
    ]
    assert m.log_likelihood_ == pytest.approx(value(at), abs=1e-8)
    for i in step:
        assert abs(value(at + i) - value(at - i)) < 1e-6  # the gradient is 0
    np.testing.assert_allclose(m.covariance_ @ (np.array(curvature) / -4e-6), np.eye(4), atol=1e-3)


@pytest.mark.slow
@settings(max_examples=10, deadline=None)
@given(n=st.integers(20, 80), **SEEDS)
def test_no_search_from_elsewhere_finds_a_higher_likelihood(n, seed, theta):
    """Four starts of a quasi-Newton search over the beta-function likelihood, heterogeneity 0.0003 to 100,000."""
    X, sessions, ending = draw_courses(seed, n=n, theta=theta, effects=(0.6,))
    try:
        m = BetaGeometric().fit(X, sessions, ending)
    except FitError:  # separated or without a later success: no maximum to compare
        reject()

    def loss(parameters):
        mean = 1 / (1 + np.exp(-(parameters[0] + X @ parameters[2:])))
        a, b = mean / np.exp(parameters[1]), (1 - mean) / np.exp(parameters[1])
        return -(betaln(a + ending, b + sessions - ending) - betaln(a, b)).sum()

    bounds = [(-5, 5), (-8, 11.5), (-5, 5)]  # beyond these the beta functions overflow
    for start in (-6.0, -2.0, 0.0, 3.0):
        search = minimize(loss, [0.0, start, 0.0], method="L-BFGS-B", bounds=bounds)
        assert -search.fun <= m.log_likelihood_ + 1e-6


# recovery


@pytest.mark.slow
def test_the_law_that_made_the_data_is_recovered_with_its_coverage():
    """400 data sets of 500 cases, theta 0.5: biases and the coverage of 95% intervals of all four parameters.

    Each of the eight comparisons allows 3.5 Monte-Carlo errors (an honest fit fails one in some 300 such
    tests); the small-sample bias may be a fifth of a standard error on top.
    """
    truth = np.array([-0.3, math.log(0.5), 0.6, -0.4])
    estimates, errors = [], []
    for seed in range(400):
        m = BetaGeometric().fit(*draw_courses(seed, n=500, theta=0.5))
        assert m.heterogeneity_ > 0
        estimates.append([m.intercept_, math.log(m.heterogeneity_), *m.coef_])
        errors.append(np.sqrt(np.diag(m.covariance_)))
    away = (np.array(estimates) - truth) / np.array(errors)

    coverage = (np.abs(away) < 1.959964).mean(axis=0)
    assert (np.abs(coverage - 0.95) < 3.5 * math.sqrt(0.95 * 0.05 / 400)).all()
    assert (np.abs(away.mean(axis=0)) < 3.5 / math.sqrt(400) + 0.2).all()


def test_without_heterogeneity_it_is_found_none_in_half_of_the_samples_and_rejected_at_the_stated_rate():
    """1,000 geometric data sets of 400 cases: half at 0, 5% below 0.05, each within 3.5 Monte-Carlo errors.

    The half is only approached at 400 cases and may be 3 points off. Where theta is above 0 it is small.
    """
    found = [BetaGeometric().fit(*draw_courses(seed, n=400, theta=0.0, effects=())) for seed in range(1000)]

    at_bound = np.mean([m.heterogeneity_ == 0 for m in found])
    rejected = np.mean([m.heterogeneity_test().p_value < 0.05 for m in found])
    assert abs(at_bound - 0.5) < 3.5 * math.sqrt(0.25 / 1000) + 0.03
    assert abs(rejected - 0.05) < 3.5 * math.sqrt(0.05 * 0.95 / 1000)
    assert np.quantile([m.heterogeneity_ for m in found], 0.95) < 0.15


# refusals


@pytest.mark.parametrize(
    ("X", "sessions", "ending", "words"),
    [
        ([], [1, 2, 3], [1, 2, 3], r"^ending: 2 of 3 values are above 1 \(row 1: 2, 2: 3\)"),
        ([], [1, 2, 3], [0, 0, 0], "^ending: no case has ended"),
        ([], [1, 1, 1], [0, 1, 1], "^sessions: nobody was seen past session 1"),
        ([], [1, 1, 2], [1, 1, 0], "^ending: every success came at session 1"),
        ([[1, 1, 1]], [1, 2, 2], [1, 1, 0], "^x0: constant"),
        ([[0, 1, 2, 3], [0, 2, 4, 6]], [1, 2, 2, 3], [1, 1, 0, 1], "^x0, x1: collinear.*to mend: drop one"),
        ([[0, 0, 0, 1, 1, 1]], [1, 2, 2, 1, 2, 3], [1, 1, 0, 0, 0, 0], "^x0: separation"),
        ([], [1, 2, 2.5], [1, 1, 0], "^sessions: 1 of 3"),
        ([[0, 1]], [1, 2, 3], [1, 1, 0], "^X: 2 rows"),
        ([[0, np.nan, 1]], [1, 2, 3], [1, 1, 0], "^X: 1 values are missing"),
    ],
)
def test_what_gives_no_estimate_is_refused_with_its_place(X, sessions, ending, words):
    columns = np.array(X, dtype=float).T if X else np.zeros((len(sessions), 0))

    with pytest.raises(FitError, match=words):
        BetaGeometric().fit(columns, sessions, ending)


@pytest.mark.parametrize("done", [-1, 0.5, [1, 2], "two", True, [[1]]])
def test_sessions_done_are_whole_numbers_one_or_one_a_case(done):
    m = fit_cells(4, 1, 3)

    with pytest.raises(FitError, match=r"^done: "):
        m.predict_incidence(np.zeros((3, 0)), done=done)


def test_columns_in_another_order_and_other_numbers_of_columns_are_refused():
    X, *outcome = draw_courses(1, n=100, theta=0.5)
    m = BetaGeometric().fit(pd.DataFrame(X, columns=["a", "b"]), *outcome)

    with pytest.raises(FitError, match="in this order"):
        m.predict_hazard(pd.DataFrame(X, columns=["b", "a"]))
    with pytest.raises(FitError, match="1 columns; allowed: 2 as fitted"):
        m.predict_hazard(X[:, :1])


def test_beyond_the_largest_session_seen_is_said_at_the_callers_line():
    m = fit_cells(4, 1, 3)

    with pytest.warns(ExtrapolationWarning, match="sessions 3 to 4") as caught:
        hazards = m.predict_hazard(NOTHING, 4)

    assert caught[0].filename == __file__
    np.testing.assert_allclose(hazards[0, 0], [1 / 2, 1 / 4, 1 / 6, 1 / 8], rtol=1e-8)


# the estimators' world

# the shape of two ends is the one convention that cannot hold
ONE_END = [
    check
    for name, check in vars(conventions).items()
    if name.startswith("test_") and name != "test_hazards_and_incidences_have_cases_ends_and_sessions"
]
PARAMETERS = {
    "check": conventions.WITHOUT_FIT,
    "layout": [np.asfortranarray, lambda X: np.repeat(X, 2, axis=0)[::2], lambda X: X.astype(object)],
}


@pytest.mark.parametrize("check", ONE_END, ids=[check.__name__ for check in ONE_END])
def test_it_keeps_the_conventions_of_the_estimators_with_one_end(check, monkeypatch):
    monkeypatch.setattr(conventions, "draw", _draw_one_end)
    more = [name for name in inspect.signature(check).parameters if name != "estimator"]

    for value in PARAMETERS[more[0]] if more else [None]:
        check(BetaGeometric, **dict.fromkeys(more, value))


def _draw_one_end(seed, **keywords):
    return draw(seed, **{**keywords, "ends": 1})


def test_hazards_and_incidences_have_one_end():
    d = _draw_one_end(1)
    m = BetaGeometric().fit(d.X, *d.outcome)

    assert m.predict_hazard(d.X).shape == (300, 1, 4)
    assert m.predict_incidence(d.X, 2).shape == (300, 1, 2)


def test_it_is_validated_like_any_estimator():
    X, sessions, ending = draw_courses(5, n=200, theta=0.5)

    report = validate_estimator(BetaGeometric(), X, sessions, ending, resamples=20, horizons=(1, 2))

    assert not report.failures
    at = report.table.set_index(["measure", "horizon"]).corrected
    assert np.isfinite(report.table[["apparent", "corrected"]]).all(axis=None)
    assert at["observed_expected", 1] == pytest.approx(1, abs=0.1)
    assert 0.5 < at["concordance_at", 1] < 0.8
