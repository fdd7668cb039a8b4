"""Prior densities of the fast posterior against scipy, and its precisions against their definition."""

from dataclasses import replace

import numpy as np
import pytest
from nested_clinics import plain, ungated
from scipy import stats

from retreat.fitting.nested.courses import lay_out
from retreat.fitting.nested.prior import definition_prior
from retreat.fitting.nested.spreads import Spreads

ALL = Spreads(2, step=0.5, operator=0.8, patient=0.7, never=(1.5, 6.0))


def lines(spreads, n=5, seed=2):
    return spreads.draw(n, np.random.default_rng(seed))


def density_by_scipy(line):
    """Of steps, operators, loadings and share themselves."""
    sd = np.exp(line[:, :4])
    return (
        stats.halfnorm(scale=0.5).logpdf(sd[:, :2]).sum(axis=1)
        + stats.halfnorm(scale=0.8).logpdf(sd[:, 2:]).sum(axis=1)
        + stats.norm(scale=0.7).logpdf(line[:, 4:6]).sum(axis=1)
        + stats.beta(1.5, 6.0).logpdf(line[:, 6] ** 2)
    )


def test_density_of_the_spreads_is_that_of_scipy():
    line = lines(ALL)
    np.testing.assert_allclose(ALL.log_density(line), density_by_scipy(line), rtol=1e-12)


def test_density_on_the_line_has_the_change_of_variables():
    """A logarithm adds its own value, a root of either sign its size: d(v^2)/dv = 2v, half for each sign."""
    line = lines(ALL)
    expected = density_by_scipy(line) + line[:, :4].sum(axis=1) + np.log(np.abs(line[:, 6]))
    np.testing.assert_allclose(ALL.log_prior(line), expected, rtol=1e-12)


def test_density_on_the_line_is_even_and_nothing_beyond_one():
    line = lines(ALL)
    turned = line * np.where(np.arange(7) < 4, 1.0, -1.0)
    np.testing.assert_array_equal(ALL.log_prior(turned), ALL.log_prior(line))
    line[:, 6] = 1.2
    assert np.all(ALL.log_prior(line) == -np.inf)
    right = ALL.right_way(turned)
    assert np.all(right[:, 4] > 0)
    assert np.all(right[:, 6] > 0)


def test_density_on_the_line_adds_to_one():
    share = Spreads(1, step=None, operator=None, patient=None, never=(1.0, 9.0))
    root = np.linspace(-1.2, 1.2, 200_001)[:, None]
    spread = Spreads(1, step=0.5, operator=None, patient=None, never=None)
    logged = np.linspace(-25, 3, 200_001)[:, None]
    for part, grid in ((share, root), (spread, logged)):
        height = np.exp(part.log_prior(grid))
        assert np.trapezoid(np.nan_to_num(height), grid[:, 0]) == pytest.approx(1.0, abs=1e-4)


def test_draws_are_those_of_the_prior():
    """20,000 draws: Kolmogorov-Smirnov at 1e-4 for each of the 7 columns."""
    line = lines(ALL, 20_000, seed=4)
    expected = [stats.halfnorm(scale=s).cdf for s in (0.5, 0.5, 0.8, 0.8)]
    expected += [stats.norm(scale=0.7).cdf] * 2 + [stats.beta(1.5, 6.0).cdf]
    values = [*np.exp(line[:, :4]).T, *line[:, 4:6].T, line[:, 6] ** 2]
    for value, cdf in zip(values, expected, strict=True):
        assert stats.kstest(value, cdf).pvalue > 1e-4


def test_deviations_of_the_kinds():
    root = np.sqrt(np.random.default_rng(1).beta(1.5, 6.0, 400_000))
    assert ALL.kinds_sd()[:2] == pytest.approx(0.7)
    assert ALL.kinds_sd()[2] == pytest.approx(root.std(), rel=0.01)


def test_coefficients_and_effects_have_the_definition_s_density():
    """Up to one constant: differences between points, each density written out with scipy."""
    table = plain(cases=60, pool_below=0)
    definition, courses = table.definition, lay_out(table)
    prior = definition_prior(table, courses, prior_scale=2.0)
    K, p, E, O = courses.n_ends, courses.X.shape[1], courses.n_effects, courses.n_operators
    rng = np.random.default_rng(3)
    point, line = rng.normal(size=(4, len(prior.mean))), prior.spreads.draw(4, rng)
    mean, sd = definition.coefficient_priors(table.coding)
    level, level_sd = definition.first_session_priors()
    columns, effects = point[:, : K * (p + O)].reshape(4, K, -1), point[:, K * (p + O) :].reshape(4, K, E)
    step_sd, operator_sd = np.exp(line[:, :K]), np.exp(line[:, K : 2 * K])
    expected = (
        stats.norm(mean, 2 * sd).logpdf(columns[..., :p]).sum(axis=(1, 2))
        + stats.norm(0.0, operator_sd[..., None]).logpdf(columns[..., p:]).sum(axis=(1, 2))
        + stats.norm(level, 2 * level_sd).logpdf(effects[..., 0]).sum(axis=1)
        + stats.norm(0.0, step_sd[..., None]).logpdf(np.diff(effects)).sum(axis=(1, 2))
        + prior.spreads.log_density(line)
    )
    found = prior.log_density(point, line)
    np.testing.assert_allclose(found - found[0], expected - expected[0], rtol=1e-10)


def test_determinant_of_the_precision_grows_as_it_says():
    prior = definition_prior(plain(cases=60), lay_out(plain(cases=60)))
    line = prior.spreads.draw(5, np.random.default_rng(1))
    exact = np.linalg.slogdet(prior.precisions(line))[1]
    found = prior.log_determinant(line)
    np.testing.assert_allclose(found - found[0], exact - exact[0], rtol=1e-8)


def test_precisions_are_the_fixed_part_and_units_over_squares():
    prior = definition_prior(plain(cases=60), lay_out(plain(cases=60)))
    line = prior.spreads.draw(3, np.random.default_rng(1))
    sd = np.exp(line)
    for i, found in enumerate(prior.precisions(line)):
        expected = prior.precision.copy()
        for j in range(2):
            expected += prior.step[j] / sd[i, j] ** 2 + prior.operator[j] / sd[i, 2 + j] ** 2
        np.testing.assert_allclose(found, expected, rtol=1e-12)


def test_free_session_effects_each_have_the_prior_of_the_first():
    table = plain(cases=60)
    free = ungated("core").sessions.model_copy(update={"effect": "free"})
    prior = definition_prior(
        replace(table, definition=replace(table.definition, sessions=free)), lay_out(table)
    )
    E = lay_out(table).n_effects
    held = np.diag(prior.precision)[-2 * E :].reshape(2, E)
    np.testing.assert_allclose(held, np.full((2, E), 1.5**-2))
    assert prior.spreads.step is None
