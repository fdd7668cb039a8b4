"""The logistic route of `retreat.fit` on invented clinics."""

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from clinics import clinic

import retreat
from retreat.definitions import read_definition
from retreat.errors import FitError
from retreat.fitting.clustered import clustered_covariance, group_scores
from retreat.fitting.design import design
from retreat.fitting.hazardfit import Courses
from retreat.fitting.logistic import LogisticHazard
from retreat.fitting.logistic_model import OPERATORS_APART, fit_logistic

CORE = read_definition("core")
PENALTIES = pytest.mark.parametrize("penalty", ["prior", 0, "firth", "cv", 2.5])
COVARIANCES = pytest.mark.parametrize("covariance", ["clustered", "information"])


def free_of_steps(definition, effect="free"):
    sessions = definition.sessions.model_copy(update={"effect": effect, "step": None, "pool_below": 0})
    return replace(definition, sessions=sessions)


@PENALTIES
@COVARIANCES
def test_every_penalty_and_covariance_gives_a_model_that_forecasts(penalty, covariance):
    model = retreat.fit(clinic(), "core", penalty=penalty, covariance=covariance, draws=200)

    found = model.forecast(clinic().iloc[:5].assign(sessions=0), horizon=4).incidence

    assert found.shape == (200, 5, 2, 4)
    assert ((found >= 0) & (found <= 1)).all()
    assert np.isfinite(model.effects().standard_error).all()


@PENALTIES
@COVARIANCES
def test_draws_agree_with_the_estimate_and_its_covariance(penalty, covariance):
    """20,000 draws: means within 5 Monte-Carlo errors, variances within 5% (5 errors of 1%)."""
    cases = clinic()
    fit = fit_logistic(design(cases, CORE), penalty=penalty, covariance=covariance, seed=2)
    draws = retreat.fit(
        cases, "core", penalty=penalty, covariance=covariance, draws=20_000, seed=2
    ).parameters.coefficients

    away = draws.mean(axis=0) - fit.coefficients
    assert (np.abs(away) < 5 * fit.standard_errors / np.sqrt(20_000)).all()
    np.testing.assert_allclose(draws.std(axis=0), fit.standard_errors, rtol=0.05)
    # the session effects too, and how they hang together with the coefficients
    model_cov = np.cov(draws.reshape(20_000, -1).T)
    theirs = fit.covariance[: model_cov.shape[0], : model_cov.shape[0]]
    scale = np.sqrt(np.outer(np.diag(theirs), np.diag(theirs)))
    np.testing.assert_allclose(model_cov / scale, theirs / scale, atol=0.05)


def test_plain_maximum_likelihood_is_the_array_estimator_on_the_coded_columns():
    d = design(clinic(cases=1500), free_of_steps(CORE))

    fit = fit_logistic(d, penalty=0, covariance="clustered")

    h = LogisticHazard().fit(d.X, d.sessions, d.ending, groups=d.patient)
    np.testing.assert_allclose(fit.coefficients, h.coef_, rtol=0, atol=1e-8)
    # the array estimator scales by G / (G - 1), the model by the parameters spent: here all free ones
    G, free = d.n_patients, len(fit.covariance)
    errors = np.sqrt(np.diag(h.clustered_covariance_)[:14] * (G - 1) / (G - free)).reshape(2, 7)
    np.testing.assert_allclose(fit.standard_errors, errors, rtol=0, atol=1e-8)


def test_what_the_priors_hold_fast_is_not_spent():
    d = design(clinic(cases=150), CORE)
    fit = fit_logistic(d, penalty="prior")
    spread = fit.hazard_fit.covariance()
    spent = np.trace(spread @ (np.linalg.inv(spread) - fit.hazard_fit.penalty.precision))
    scores = group_scores(fit.hazard_fit, Courses(d.X, d.sessions, d.ending, d.n_ends), d.patient)

    one, many = (clustered_covariance(fit.hazard_fit, scores, spent=s) for s in (1.0, spent))

    assert 8 < spent < len(spread)
    np.testing.assert_allclose(fit.covariance, many, rtol=1e-9)
    assert (np.diag(many) > np.diag(one)).all()


def test_a_number_is_a_ridge_on_the_coded_columns():
    d = design(clinic(), free_of_steps(CORE))

    fit = fit_logistic(d, penalty=2.5)

    h = LogisticHazard(penalty=2.5).fit(d.X, d.sessions, d.ending)
    np.testing.assert_allclose(fit.coefficients, h.coef_, rtol=0, atol=1e-8)


def test_the_prior_penalty_is_the_mode_of_the_posterior():
    """Minus log posterior written out from the definition; its slope is 0 at the estimate."""
    d = design(clinic(cases=120), CORE)
    fit = fit_logistic(d, penalty="prior")
    layout = fit.hazard_fit.layout
    mean, sd = CORE.coefficient_priors(d.coding)
    first, first_sd = CORE.first_session_priors()

    def minus_log_posterior(theta):
        b, a = layout.split(theta)
        value = 0.0
        for case in range(len(d.X)):
            for k in range(d.sessions[case]):
                eta = a[:, k] + b @ d.X[case]
                value += np.log1p(np.exp(eta).sum())
                if k + 1 == d.sessions[case] and d.ending[case]:
                    value -= eta[d.ending[case] - 1]
        value += (np.square((b - mean) / sd) / 2).sum()
        value += (np.square((a[:, 0] - first) / first_sd) / 2).sum()
        return value + (np.square(np.diff(a, axis=1) / CORE.sessions.step.sd) / 2).sum()

    theta = fit.hazard_fit.theta
    steps = 1e-5 * np.eye(len(theta))
    slope = [(minus_log_posterior(theta + s) - minus_log_posterior(theta - s)) / 2e-5 for s in steps]

    np.testing.assert_allclose(slope, 0.0, atol=1e-5)


def test_linear_session_effects_take_the_step_as_the_spread_of_their_slope():
    """The prior's slope is 0 at the estimate: intercept as the first session, slope as a step."""
    definition = replace(
        CORE, sessions=CORE.sessions.model_copy(update={"effect": "linear", "pool_below": 0})
    )
    fit = fit_logistic(design(clinic(), definition), penalty="prior").hazard_fit
    first, first_sd = CORE.first_session_priors()
    _, effects = fit.layout.split(fit.theta)

    penalty_slope = fit.penalty.gradient(fit.theta)[14:].reshape(2, 2)

    expected = np.stack(
        [(effects[:, 0] - first) / np.square(first_sd), np.diff(effects, axis=1)[:, 0] / 0.5**2], axis=1
    )
    np.testing.assert_allclose(penalty_slope, expected, atol=1e-9)


@pytest.mark.parametrize("penalty", [0, "firth", 3.0])
def test_the_second_session_is_a_plain_logistic_regression(penalty):
    cases = clinic(cases=600)
    d = design(cases, read_definition("second_session"))

    fit = fit_logistic(d, penalty=penalty, covariance="information")

    over = (cases.ending != "ongoing") & (cases.sessions.astype(int) == 1)
    X = sm.add_constant(d.X)
    if penalty == 0:
        theirs = sm.Logit(over.astype(float).to_numpy(), X).fit(disp=0, method="newton", tol=1e-14)
        np.testing.assert_allclose(fit.coefficients[0], theirs.params[1:], rtol=0, atol=1e-7)
        np.testing.assert_allclose(fit.standard_errors[0], theirs.bse[1:], rtol=0, atol=1e-7)
        return
    # the modified score, and the score less the ridge, are 0 at the estimate
    b = np.r_[fit.hazard_fit.layout.split(fit.hazard_fit.theta)[1][0, 0], fit.coefficients[0]]
    p = 1 / (1 + np.exp(-X @ b))
    hat = p * (1 - p) * np.einsum("ij,jk,ik->i", X, np.linalg.inv(X.T * (p * (1 - p)) @ X), X)
    firth = penalty == "firth"
    score = X.T @ (over - p + (hat * (0.5 - p) if firth else 0.0)) - (0.0 if firth else 3.0) * np.r_[0, b[1:]]
    np.testing.assert_allclose(score, 0.0, atol=1e-5)


@PENALTIES
def test_the_same_seed_gives_the_same_bytes(penalty, tmp_path):
    one, other = (
        retreat.fit(clinic(), "core", penalty=penalty, seed=5, draws=100).save(tmp_path / name)
        for name in ("a.retreat", "b.retreat")
    )

    assert one.read_bytes() == other.read_bytes()


def test_another_seed_gives_other_draws_around_the_same_estimate():
    one, other = (retreat.fit(clinic(), "core", seed=seed) for seed in (1, 2))

    assert one.model_id != other.model_id
    errors = one.effects().standard_error
    assert (np.abs(one.effects().estimate - other.effects().estimate) < 0.15 * errors).all()


def test_the_order_of_cases_does_not_matter():
    cases = clinic()

    one = fit_logistic(design(cases, CORE))
    other = fit_logistic(design(cases.sample(frac=1, random_state=4).reset_index(drop=True), CORE))

    np.testing.assert_allclose(one.coefficients, other.coefficients, rtol=0, atol=1e-8)
    np.testing.assert_allclose(one.standard_errors, other.standard_errors, rtol=0, atol=1e-8)


def test_two_eyes_alike_widen_the_clustered_errors():
    """Each case twice under one patient: the errors of independent cases shrink by the root of 2, theirs do not."""
    cases = clinic()
    twice = cases.loc[cases.index.repeat(2)].reset_index(drop=True)
    twice["case"] = [f"c{i}" for i in range(len(twice))]
    twice["eye"] = ["right", "left"] * len(cases)
    twice["patient"] = [f"p{i // 2}" for i in range(len(twice))]
    # ended courses alone may share an eye
    once = cases.assign(patient=[f"p{i}" for i in range(len(cases))])

    single = fit_logistic(design(once, CORE), penalty=0, covariance="clustered").standard_errors
    double = fit_logistic(design(twice, CORE), penalty=0, covariance="clustered").standard_errors
    naive = fit_logistic(design(twice, CORE), penalty=0, covariance="information").standard_errors

    # the penalty on session steps weighs half as much beside twice the cases
    np.testing.assert_allclose(double, single, rtol=0.03)
    np.testing.assert_allclose(naive, double / np.sqrt(2), rtol=0.25)


def test_covariance_of_patients_is_kept_for_the_cloglog_link():
    definition = replace(CORE, link="cloglog")
    d = design(clinic(), definition)

    clustered = fit_logistic(d, penalty=0, covariance="clustered").standard_errors
    information = fit_logistic(d, penalty=0, covariance="information").standard_errors

    assert not np.allclose(clustered, information, rtol=1e-3)
    np.testing.assert_allclose(clustered, information, rtol=0.35)


def test_one_kind_of_opacity_fits_by_the_priors_and_says_so():
    cases = clinic()
    model = retreat.fit(cases[cases.opacity == "ring"], "core", draws=4000)

    assert (
        "opacity has one value in these cases: its effect is what the prior or penalty says"
        in model.card.notes
    )
    row = model.effects().query("end == 'relieved' and column == 'opacity=cloud'").iloc[0]
    # the definition's prior: mean -1, sd 1; 4,000 draws
    assert row.estimate == pytest.approx(-1.0, abs=0.08)
    assert row.standard_error == pytest.approx(1.0, abs=0.06)


@pytest.mark.parametrize("penalty", [0, "firth"])
def test_one_kind_of_opacity_is_refused_without_a_prior(penalty):
    cases = clinic()

    with pytest.raises(FitError, match=r"^opacity=strand, opacity=cloud, opacity=sheet: constant"):
        retreat.fit(cases[cases.opacity == "ring"], "core", penalty=penalty)


@PENALTIES
def test_an_end_that_no_case_had_is_fitted_and_noted(penalty):
    cases = clinic(cases=600)
    relieved = cases[cases.ending != "stopped"]

    model = retreat.fit(relieved, "core", penalty=penalty, draws=200)

    assert any(note.startswith("no case ended stopped") for note in model.card.notes)
    stopped = model.expected(relieved.iloc[:10], horizon=5)[:, 1, -1]
    if penalty in ("prior", "firth"):
        assert (stopped > 0).all()
        assert np.median(stopped) < 0.05
        assert model.card.for_counselling
    else:
        assert (stopped == 0).all()
        assert model.card.failures == ("no fitted case ended stopped: without priors its chance is 0",)


@PENALTIES
def test_a_model_of_cases_of_which_none_was_relieved_is_not_for_counselling(penalty):
    cases = clinic(cases=900)

    model = retreat.fit(cases[cases.ending != "relieved"], "core", penalty=penalty, draws=200)

    assert "no fitted case ended relieved: nothing was learned of it" in model.card.failures


@pytest.mark.parametrize("penalty", [0, 2.5])
def test_an_end_that_no_case_had_has_no_effects_to_draw(penalty):
    cases = clinic(cases=600)

    model = retreat.fit(cases[cases.ending != "stopped"], "core", penalty=penalty, draws=200)

    np.testing.assert_allclose(model.parameters.coefficients[:, 1], 0.0, atol=1e-6)
    assert model.parameters.coefficients[:, 0].std(axis=0).min() > 0.05


def test_firth_does_not_claim_to_know_an_end_never_seen():
    """Few or no ends of a kind make a sandwich of their scores small; the errors stay those of the information."""
    cases = clinic(cases=600)
    d = design(cases[cases.ending != "stopped"], CORE)

    clustered = fit_logistic(d, penalty="firth", covariance="clustered").standard_errors
    information = fit_logistic(d, penalty="firth", covariance="information").standard_errors

    assert (clustered >= information - 1e-9).all()


def test_forty_cases_are_fitted_by_default_although_an_end_is_missing_at_a_session():
    cases = clinic(cases=400).iloc[:40].reset_index(drop=True)
    later = cases.sessions.astype(int) >= 2
    cases = cases[~(later & (cases.ending == "stopped"))]

    model = retreat.fit(cases, "core")

    found = model.expected(cases, horizon=5)
    assert ((found > 0) & (found < 1)).all()


def test_separation_is_named_and_mended_by_firth():
    """Nobody with a sheet is ever relieved: plain maximum likelihood has no estimate."""
    cases = clinic(cases=400)
    cases = cases[~((cases.opacity == "sheet") & (cases.ending == "relieved"))]

    with pytest.raises(FitError, match=r"^opacity=sheet: separation.*penalty='firth'"):
        retreat.fit(cases, "core", penalty=0)
    model = retreat.fit(cases, "core", penalty="firth")

    row = model.effects().query("end == 'relieved' and column == 'opacity=sheet'").iloc[0]
    assert row.estimate < -2
    assert row.standard_error < 3


def test_operators_not_told_apart_are_noted():
    cases = clinic()

    several = retreat.fit(cases, "core", draws=100).card.notes
    single = retreat.fit(cases[cases.operator == "op_a"], "core", draws=100).card.notes

    assert OPERATORS_APART in several
    assert "one operator: the model cannot say how another would fare" in single


def test_one_patient_has_no_spread_between_patients():
    cases = clinic().iloc[:40].assign(patient="p1", eye=["right", "left"] * 20)
    cases = cases[cases.ending != "ongoing"]

    with pytest.raises(FitError, match="one patient; allowed: at least 2 for 'clustered'"):
        retreat.fit(cases, "core")
    model = retreat.fit(cases, "core", covariance="information", draws=100)

    assert model.card.n_patients == 1
