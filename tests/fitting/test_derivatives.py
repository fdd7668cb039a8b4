"""Gradients and information against finite differences, away from the maximum."""

import numpy as np
import pytest
from simulated_courses import draw

from retreat.counts import risk_sets
from retreat.fitting.cloglog import cloglog_likelihood, order_courses
from retreat.fitting.firth import firth_likelihood
from retreat.fitting.layout import lay_out
from retreat.fitting.newton import logit_likelihood

STEP = 1e-6


def split(theta, ends, columns, sessions):
    return theta[: ends * columns].reshape(ends, columns), theta[ends * columns :].reshape(ends, sessions)


def likelihood(kind, ends, seed=3):
    """A log likelihood over all parameters, and a point away from its maximum."""
    d = draw(seed, n=80, ends=ends, columns=2, last=3)
    weights = np.random.default_rng(seed).uniform(0.5, 2.0, size=80)
    sets = risk_sets(d.X, *d.outcome, n_ends=ends, weights=weights)
    ordered = order_courses(d.X, *d.outcome, weights)
    layout = lay_out(sets, "free", pool_below=0, unseen="estimated")
    functions = {
        "logit": lambda t: logit_likelihood(sets, *split(t, ends, 2, 3)),
        "cloglog": lambda t: cloglog_likelihood(ordered, *split(t, ends, 2, 3)),
        "firth": lambda t: firth_likelihood(sets, layout, t),
    }
    return functions[kind], np.random.default_rng(seed + 1).normal(scale=0.5, size=ends * 5)


def slope(function, theta, quantity):
    return np.array(
        [
            (quantity(function(theta + step)) - quantity(function(theta - step))) / (2 * STEP)
            for step in STEP * np.eye(len(theta))
        ]
    )


@pytest.mark.parametrize("ends", [1, 2, 3])
@pytest.mark.parametrize("kind", ["logit", "cloglog", "firth"])
def test_the_gradient_is_the_slope_of_the_objective(kind, ends):
    function, theta = likelihood(kind, ends)

    found = function(theta).gradient

    # central differences of a sum of some hundred terms: rounding 1e-13 / step
    np.testing.assert_allclose(found, slope(function, theta, lambda e: e.value), rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("ends", [1, 2, 3])
def test_the_information_of_the_logit_link_is_minus_the_slope_of_the_gradient(ends):
    function, theta = likelihood("logit", ends)

    found = function(theta).information

    np.testing.assert_allclose(found, -slope(function, theta, lambda e: e.gradient), rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("ends", [1, 2])
def test_the_information_of_the_cloglog_link_is_the_expected_one(ends):
    """Every case at risk in turn ends in each way, weighted by its chance: minus the slope on average."""
    rng = np.random.default_rng(5)
    X, theta = rng.normal(size=(6, 2)), rng.normal(scale=0.5, size=ends * 3)
    sessions = np.ones(6, dtype=int)

    def of(ending, weights):
        ordered = order_courses(X, sessions, np.full(6, ending), weights)
        return lambda t: cloglog_likelihood(ordered, *split(t, ends, 2, 1))

    expected = np.zeros((len(theta), len(theta)))
    for ending in range(ends + 1):
        for case in range(6):
            one = np.zeros(6)
            one[case] = 1.0
            function = of(ending, one)
            chance = np.exp(function(theta).value)
            expected -= chance * slope(function, theta, lambda e: e.gradient)

    found = of(0, np.ones(6))(theta).information

    np.testing.assert_allclose(found, expected, rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("link", ["logit", "cloglog"])
def test_a_session_effect_of_minus_infinity_adds_nothing_to_the_slopes(link):
    d = draw(3, n=80, ends=2, columns=2, last=3)
    ending = np.where((d.sessions == 2) & (d.ending == 1), 2, d.ending)
    coefficients, effects = np.full((2, 2), 0.3), np.full((2, 3), -1.0)
    effects[0, 1] = -np.inf
    if link == "logit":
        found = logit_likelihood(risk_sets(d.X, d.sessions, ending, n_ends=2), coefficients, effects)
    else:
        found = cloglog_likelihood(order_courses(d.X, d.sessions, ending, None), coefficients, effects)

    at = 2 * 2 + 1  # end 1, session 2
    assert np.isfinite(found.value)
    assert found.gradient[at] == 0.0
    assert not found.information[at].any()


@pytest.mark.parametrize("shift", [40.0, 1000.0, -1000.0])
@pytest.mark.parametrize("kind", ["logit", "cloglog"])
def test_predictors_far_out_give_finite_slopes(kind, shift):
    function, theta = likelihood(kind, 2)
    theta = theta.copy()
    theta[4:] += shift

    found = function(theta)

    assert np.isfinite(found.gradient).all()
    assert np.isfinite(found.information).all()
    assert found.value <= 0.0
