"""Calibration and scores against other software; recipe of the numbers in validation_recipe.py."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from retreat.validation import (
    aalen_johansen,
    brier,
    brier_at,
    calibration,
    calibration_at,
    concordance,
    log_score,
    rps,
)

DATA = Path(__file__).parent / "data"
REFERENCE = pd.read_csv(DATA / "validation_scores.csv").set_index(["data", "quantity"])


def rows_of(data):
    return [pytest.param(quantity, id=quantity) for name, quantity in REFERENCE.index if name == data]


def reference(data, quantity):
    row = REFERENCE.loc[(data, quantity)]
    return pytest.approx(row.value, abs=row.tolerance)


@pytest.fixture(scope="module")
def split():
    table = pd.read_csv(DATA / "validation_split.csv")
    return table.probability.to_numpy(), table.outcome.to_numpy()


@pytest.fixture(scope="module")
def hazard_model():
    """Logistic hazard of first_sex on both features, fitted by statsmodels on one row a boy and grade."""
    boys = pd.read_csv(DATA / "validation_first_sex.csv")
    features = boys[["parental_transition", "antisociality"]].to_numpy()
    sessions, ending = boys.grade.to_numpy() - 6, 1 - boys.censor.to_numpy()
    case = np.repeat(np.arange(len(boys)), sessions)
    session = np.concatenate([np.arange(1, s + 1) for s in sessions])
    y = (session == sessions[case]) & (ending[case] == 1)
    X = np.column_stack([session[:, None] == np.arange(1, 7), features[case]]).astype(float)
    b = sm.GLM(y.astype(float), X, family=sm.families.Binomial()).fit(tol=1e-13).params
    hazard = 1 / (1 + np.exp(-(b[:6] + (features @ b[6:])[:, None])))
    staying = np.cumprod(1 - hazard, axis=1)
    pmf = np.column_stack([np.ones(len(boys)), staying[:, :-1]]) * hazard
    return pmf, sessions, ending


@pytest.fixture(scope="module")
def moments():
    """Two rows of half weight at mean +- sd have the Brier score of the spells they stand for."""
    table = pd.read_csv(DATA / "validation_unempdur_moments.csv")
    return {
        horizon: {
            "incidence": np.concatenate([part["mean"] + part.sd, part["mean"] - part.sd]),
            "sessions": np.tile(part.spell, 2),
            "ending": np.tile(part.event, 2),
            "weights": np.tile(part.n / 2, 2),
        }
        for horizon, part in table.groupby("horizon")
    }


@pytest.mark.parametrize("quantity", rows_of("split"))
def test_calibration_of_a_split_sample_agrees_with_other_software(split, quantity):
    probabilities, outcomes = split
    found = calibration(probabilities, outcomes)
    others = {
        "brier": lambda: brier(probabilities, outcomes),
        "concordance": lambda: concordance(probabilities, outcomes),
        "log_score": lambda: log_score(probabilities[:, None], np.ones(375, int), outcomes),
    }

    value = others[quantity]() if quantity in others else getattr(found, quantity)

    assert value == reference("split", quantity)


def test_the_smoother_of_the_split_sample_is_the_one_its_reference_used(split):
    assert calibration(*split).smoother.endswith("restricted cubic spline of the logit, 5 knots")


@pytest.mark.parametrize(
    "quantity", ["in_the_large", "slope", "intercept", "observed_expected", "ici", "e50", "e90", "emax"]
)
def test_calibration_by_pseudo_values_is_the_binary_one_when_nobody_is_lost(split, quantity):
    probabilities, outcomes = split
    sessions = np.where(outcomes == 1, 1, 2)

    found = calibration_at(probabilities, sessions, outcomes, end=1, horizon=1)

    assert getattr(found, quantity) == reference("split", quantity)


def test_ranked_probability_score_of_a_hazard_model_agrees_with_the_sum_of_squares(hazard_model):
    pmf, sessions, ending = hazard_model

    assert rps(np.cumsum(pmf, axis=1), sessions, ending) == reference("first_sex", "rps")


def test_ranked_probability_score_of_the_observed_incidence_agrees_with_the_sum_of_squares(hazard_model):
    _, sessions, ending = hazard_model
    everybody = np.tile(aalen_johansen(sessions, ending).incidence, (180, 1, 1))

    assert rps(everybody, sessions, ending) == reference("first_sex", "rps_null")


def test_logarithmic_score_of_a_hazard_model_is_its_deviance_over_twice_n(hazard_model):
    assert log_score(*hazard_model) == reference("first_sex", "log_score")


@pytest.mark.parametrize("horizon", [1, 6, 10])
def test_brier_score_at_a_session_agrees_with_left_limit_weights(moments, horizon):
    found = brier_at(**moments[horizon], end=1, horizon=horizon, at_horizon="unknown")

    assert found == reference("unempdur", f"brier_at {horizon}")


@pytest.mark.parametrize("at_horizon", ["known", "unknown"])
def test_brier_score_of_the_observed_incidence_is_its_variance(at_horizon):
    counts = pd.read_csv(DATA / "unempdur_counts.csv")
    ending = (counts.cause == 1).astype(int)
    seen = aalen_johansen(counts.spell, ending, weights=counts.n)
    everybody = np.full(len(counts), seen.incidence[0, 9])

    found = brier_at(
        everybody, counts.spell, ending, end=1, horizon=10, weights=counts.n, at_horizon=at_horizon
    )

    assert found == reference("unempdur", "brier_null 10")
