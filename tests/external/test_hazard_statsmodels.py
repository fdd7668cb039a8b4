"""Hazard fits against statsmodels, run live on person-session rows of simulated courses."""

import numpy as np
import pytest
import statsmodels.api as sm
from simulated_courses import draw, rows_of

from retreat.fitting import LogisticHazard

BINOMIAL = {
    "logit": sm.families.Binomial(),
    "cloglog": sm.families.Binomial(sm.families.links.CLogLog()),
}
N_PATIENTS = 150


def in_order_of(covariance, ends, columns, sessions):
    """Their end-by-end (columns, sessions) order turned into ours: all coefficients, then all session effects."""
    width = columns + sessions
    coefficients = [j * width + i for j in range(ends) for i in range(columns)]
    effects = [j * width + columns + k for j in range(ends) for k in range(sessions)]
    order = np.array(coefficients + effects)
    return np.asarray(covariance)[np.ix_(order, order)]


def assert_same_fit(hazard, params, covariance):
    """Coefficients to 1e-7, covariance to 1e-6; params of theirs are (columns + sessions, ends)."""
    ends, columns = hazard.coef_.shape
    params = np.asarray(params).reshape(columns + hazard.session_effects_.shape[1], ends)
    np.testing.assert_allclose(hazard.coef_, params[:columns].T, rtol=0, atol=1e-7)
    np.testing.assert_allclose(hazard.session_effects_, params[columns:].T, rtol=0, atol=1e-7)
    theirs = in_order_of(covariance, ends, columns, hazard.session_effects_.shape[1])
    np.testing.assert_allclose(hazard.covariance_, theirs, rtol=0, atol=1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_one_end_agrees_with_binary_logistic_regression_on_rows(seed):
    d = draw(seed, ends=1)
    _, X, y = rows_of(d.sessions, d.ending, d.X)

    theirs = sm.Logit(y, X).fit(disp=0, method="newton", tol=1e-14)
    ours = LogisticHazard().fit(d.X, *d.outcome)

    assert_same_fit(ours, theirs.params, theirs.cov_params())
    assert ours.log_likelihood_ == pytest.approx(theirs.llf, abs=1e-8)


@pytest.mark.parametrize("link", ["logit", "cloglog"])
def test_one_end_agrees_with_a_generalised_linear_model_on_rows(link):
    d = draw(11, ends=1, link=link)
    _, X, y = rows_of(d.sessions, d.ending, d.X)

    theirs = sm.GLM(y, X, family=BINOMIAL[link]).fit(tol=1e-14, maxiter=200)
    ours = LogisticHazard(link=link).fit(d.X, *d.outcome)

    assert_same_fit(ours, theirs.params, theirs.cov_params())


@pytest.mark.parametrize("ends", [2, 3])
def test_several_ends_agree_with_multinomial_regression_on_rows(ends):
    d = draw(21, n=600, ends=ends)
    _, X, y = rows_of(d.sessions, d.ending, d.X)

    theirs = sm.MNLogit(y, X).fit(disp=0, method="newton", tol=1e-14)
    ours = LogisticHazard().fit(d.X, *d.outcome)

    assert_same_fit(ours, theirs.params, theirs.cov_params())


@pytest.mark.parametrize("link", ["logit", "cloglog"])
def test_weights_agree_with_frequency_weights_of_rows(link):
    d = draw(31, ends=1, link=link)
    weights = np.random.default_rng(31).integers(0, 4, size=len(d.X)).astype(float)
    case, X, y = rows_of(d.sessions, d.ending, d.X)

    theirs = sm.GLM(y, X, family=BINOMIAL[link], freq_weights=weights[case]).fit(tol=1e-14, maxiter=200)
    ours = LogisticHazard(link=link).fit(d.X, *d.outcome, weights=weights)

    assert_same_fit(ours, theirs.params, theirs.cov_params())


def test_weights_of_two_ends_agree_with_rows_repeated():
    d = draw(32, ends=2)
    weights = np.random.default_rng(32).integers(0, 4, size=len(d.X))
    case, X, y = rows_of(d.sessions, d.ending, d.X)
    repeated = np.repeat(np.arange(len(case)), weights[case])

    theirs = sm.MNLogit(y[repeated], X[repeated]).fit(disp=0, method="newton", tol=1e-14)
    ours = LogisticHazard().fit(d.X, *d.outcome, weights=weights)

    assert_same_fit(ours, theirs.params, theirs.cov_params())


@pytest.mark.parametrize("ends", [1, 2])
def test_clustered_covariance_agrees_but_for_the_factor_that_counts_rows(ends):
    """Ours is scaled by G / (G - 1); statsmodels further by (N - 1) / (N - parameters), N the rows, by default."""
    d = draw(41, ends=ends)
    patients = np.arange(len(d.X)) // 2
    case, X, y = rows_of(d.sessions, d.ending, d.X)
    kinds = {"cov_type": "cluster", "cov_kwds": {"groups": patients[case], "use_correction": False}}

    if ends == 1:
        theirs = sm.GLM(y, X, family=BINOMIAL["logit"]).fit(tol=1e-14, **kinds)
    else:
        theirs = sm.MNLogit(y, X).fit(disp=0, method="newton", tol=1e-14, **kinds)
    ours = LogisticHazard().fit(d.X, *d.outcome, groups=patients)

    covariance = in_order_of(theirs.cov_params(), *ours.coef_.shape, ours.session_effects_.shape[1])
    np.testing.assert_allclose(
        ours.clustered_covariance_, covariance * N_PATIENTS / (N_PATIENTS - 1), rtol=0, atol=1e-6
    )


def test_statsmodels_default_factor_is_the_stated_one():
    d = draw(41, ends=1)
    patients = np.arange(len(d.X)) // 2
    case, X, y = rows_of(d.sessions, d.ending, d.X)

    theirs = sm.GLM(y, X, family=BINOMIAL["logit"]).fit(
        tol=1e-14, cov_type="cluster", cov_kwds={"groups": patients[case]}
    )
    ours = LogisticHazard().fit(d.X, *d.outcome, groups=patients)

    factor = (len(y) - 1) / (len(y) - X.shape[1])
    np.testing.assert_allclose(ours.clustered_covariance_ * factor, theirs.cov_params(), rtol=0, atol=1e-6)


def test_clustered_covariance_of_the_cloglog_link_has_the_expected_information_on_both_sides():
    """Scores and expected information from statsmodels; its own sandwich takes the observed information."""
    d = draw(42, ends=1, link="cloglog")
    patients = np.arange(len(d.X)) // 2
    case, X, y = rows_of(d.sessions, d.ending, d.X)

    theirs = sm.GLM(y, X, family=BINOMIAL["cloglog"]).fit(tol=1e-14, maxiter=200)
    ours = LogisticHazard(link="cloglog").fit(d.X, *d.outcome, groups=patients)

    scores = np.zeros((N_PATIENTS, X.shape[1]))
    np.add.at(scores, patients[case], theirs.model.score_obs(theirs.params))
    bread = theirs.cov_params()
    sandwich = bread @ scores.T @ scores @ bread * N_PATIENTS / (N_PATIENTS - 1)
    np.testing.assert_allclose(ours.clustered_covariance_, sandwich, rtol=0, atol=1e-6)


def test_the_summary_has_the_numbers_of_a_statsmodels_summary():
    d = draw(51, ends=1)
    _, X, y = rows_of(d.sessions, d.ending, d.X)

    theirs = sm.Logit(y, X).fit(disp=0, method="newton", tol=1e-14)
    table = LogisticHazard().fit(d.X, *d.outcome).summary(level=0.95)

    kept = slice(0, 3)
    np.testing.assert_allclose(table.standard_error, theirs.bse[kept], atol=1e-7)
    np.testing.assert_allclose(table.z, theirs.tvalues[kept], atol=1e-6)
    np.testing.assert_allclose(table.p_value, theirs.pvalues[kept], atol=1e-7)
    np.testing.assert_allclose(table[["low", "high"]], theirs.conf_int()[kept], atol=1e-6)
    np.testing.assert_allclose(table.ratio, np.exp(theirs.params[kept]), atol=1e-6)
