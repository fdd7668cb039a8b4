"""Operators' effects against the random intercepts of statsmodels.

`BinomialBayesMixedGLM` (statsmodels 0.15, variational Bayes) has the same model where there is one end and one
session: a logistic regression with normal random intercepts. Its prior of the standard deviation is log-normal and ours
half-normal, and the variational normal is too narrow for spreads; so both are held to the same nearly fixed spread
(prior of log sd of deviation 0.01 there, a fixed normal prior of the operators' columns here), where the posterior
means of fixed effects and intercepts must agree. Tolerance 0.1 of a posterior deviation, at least 1,000 effective
draws here giving 0.03: what is left is that a variational mean is near a mode and a posterior is skew.
"""

from dataclasses import replace

import numpy as np
import pytest
from nested_designs import random_intercepts

from retreat.fitting.nested.courses import lay_out
from retreat.fitting.nested.fit import fit_nested
from retreat.fitting.nested.prior import definition_prior

SPREAD = 0.7


@pytest.fixture(scope="module")
def table():
    return random_intercepts(n=600, operators=8, spread=SPREAD, seed=4)


@pytest.fixture(scope="module")
def ours(table):
    """Posterior with operators' spread fixed: their columns have a normal prior, and no spread is left to learn."""
    prior = definition_prior(table, lay_out(table))
    fixed = prior.precision + prior.operator[0] / SPREAD**2
    prior = replace(
        prior, precision=fixed, operator=0 * prior.operator, spreads=replace(prior.spreads, operator=None)
    )
    return fit_nested(table, seed=1, prior=prior)


@pytest.fixture(scope="module")
def theirs(table):
    from statsmodels.genmod.bayes_mixed_glm import BinomialBayesMixedGLM

    definition = table.definition
    mean, sd = definition.coefficient_priors(table.coding)
    # their fixed effects have one prior deviation and mean 0: columns are scaled, and the mean is the first level's
    X = np.column_stack([np.ones(len(table.X)), table.X])
    level, level_sd = definition.first_session_priors()
    scale = np.concatenate([level_sd, sd[0]])
    centre = np.concatenate([level, mean[0]])
    assert np.all(centre == 0)
    groups = np.eye(table.n_operators)[table.operator]
    model = BinomialBayesMixedGLM(
        (table.ending > 0).astype(float),
        X * scale,
        groups,
        np.zeros(groups.shape[1], dtype=int),
        vcp_p=0.01,
        fe_p=1.0,
    )
    # their log sd has prior mean 0: the intercepts are scaled too
    model.exog_vc = model.exog_vc * SPREAD
    fit = model.fit_vb()
    return fit.fe_mean * scale, fit.fe_sd * scale, fit.vc_mean * SPREAD, fit.vc_sd * SPREAD


def test_fixed_effects_agree(ours, theirs):
    mean, sd, _, _ = theirs
    draws = np.column_stack([ours.effects[:, 0, 0], ours.coefficients[:, 0]])
    np.testing.assert_allclose(draws.mean(axis=0)[1:], mean[1:], atol=0.1 * sd[1:].max())


def test_intercepts_of_operators_agree(ours, theirs):
    """Intercept and operators together: the level of an operator's cases."""
    mean, _, intercepts, _ = theirs
    level = (ours.effects[:, 0] + ours.operator_effect[:, 0]).mean(axis=0)
    spread = (ours.effects[:, 0] + ours.operator_effect[:, 0]).std(axis=0)
    np.testing.assert_allclose(level, mean[0] + intercepts, atol=0.1 * spread.max())


def test_operators_differ_enough_for_the_test_to_mean_something(ours):
    assert (
        np.ptp(ours.operator_effect[:, 0].mean(axis=0))
        > 5 * 0.1 * ours.operator_effect[:, 0].std(axis=0).max()
    )
