"""The beta-geometric fit against published counts of cycles to conception, smokers and others.

Values in data/beta_geometric.csv, made from its counts with scipy.special.betaln and scipy.optimize (Nelder-Mead from
alpha = 1, beta = 1.65, then BFGS); tolerances are what that search is good for: 1e-3 in alpha and beta, which trade
off along a ridge, 1e-5 in mean and heterogeneity, 1e-6 in the log likelihood and the incidences.
"""

from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize
from scipy.special import betaln

from retreat.fitting import BetaGeometric

TABLE = pd.read_csv(Path(__file__).parent / "data" / "beta_geometric.csv")
COUNTS = TABLE[TABLE.quantity.isin(["succeeded at", "still going after"])]
VALUES = TABLE.drop(COUNTS.index)
NOTHING = np.zeros((1, 0))


def outcome(counts):
    return counts.session.to_numpy(int), (counts.quantity == "succeeded at").to_numpy(int)


@cache
def fitted(group):
    counts = COUNTS if group == "pooled" else COUNTS[COUNTS.group == group]
    return BetaGeometric().fit(np.zeros((len(counts), 0)), *outcome(counts), weights=counts.value)


def found(group, quantity, session):
    m = fitted(group)
    if quantity == "incidence":
        return m.predict_incidence(NOTHING)[0, 0, int(session) - 1]
    if quantity == "next after":
        done = int(session)
        return m.predict_incidence(NOTHING, done + 1, done=done)[0, 0, done]
    return {
        "alpha": m.alpha_,
        "beta": m.beta_,
        "mean": m.alpha_ / (m.alpha_ + m.beta_),
        "heterogeneity": m.heterogeneity_,
        "log likelihood": m.log_likelihood_,
        "geometric log likelihood": m.log_likelihood_geometric_,
        "likelihood ratio": m.heterogeneity_test().statistic,
    }[quantity]


@pytest.mark.parametrize(
    "row",
    [pytest.param(row, id=f"{row.group} {row.quantity} {row.session:g}") for row in VALUES.itertuples()],
)
def test_estimates_and_incidences_agree(row):
    assert found(row.group, row.quantity, row.session) == pytest.approx(row.value, abs=row.tolerance, rel=0)


def test_the_counts_are_those_of_100_smokers_and_486_others():
    assert COUNTS.groupby("group").value.sum().to_dict() == {"nonsmokers": 486, "smokers": 100}


def test_smoking_as_a_column_agrees_with_a_search_over_beta_functions():
    """Common heterogeneity, a mean for each group: estimates to 1e-5, standard errors to 1e-3.

    The reference is made here: Nelder-Mead over the beta-function likelihood, and its second differences.
    """
    sessions, ending = outcome(COUNTS)
    smoker = (COUNTS.group == "smokers").to_numpy(float)

    def loss(parameters):
        mean = 1 / (1 + np.exp(-(parameters[0] + parameters[2] * smoker)))
        a, b = mean * np.exp(-parameters[1]), (1 - mean) * np.exp(-parameters[1])
        return -COUNTS.value @ (betaln(a + ending, b + sessions - ending) - betaln(a, b))

    settings = {"xatol": 1e-10, "fatol": 1e-12, "maxiter": 4000, "maxfev": 4000}
    search = minimize(loss, [-0.4, -2.0, -0.5], method="Nelder-Mead", options=settings)
    step = 1e-3 * np.eye(3)
    at = search.x
    curvature = [
        [loss(at + i + j) - loss(at + i - j) - loss(at - i + j) + loss(at - i - j) for j in step]
        for i in step
    ]

    m = BetaGeometric().fit(smoker[:, None], sessions, ending, weights=COUNTS.value)

    estimates = [m.intercept_, np.log(m.heterogeneity_), m.coef_[0]]
    np.testing.assert_allclose(estimates, at, rtol=0, atol=1e-5)
    assert m.log_likelihood_ == pytest.approx(-search.fun, abs=1e-8)
    errors = np.sqrt(np.diag(np.linalg.inv(np.array(curvature) / 4e-6)))
    np.testing.assert_allclose(np.sqrt(np.diag(m.covariance_)), errors, rtol=1e-3)
