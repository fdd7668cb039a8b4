"""The fast posterior as a whole: what it interpolates, odd designs, checks and the way back to NUTS."""

from dataclasses import replace

import numpy as np
import pytest
from clinics import clinic
from nested_clinics import columns_of, plain, ungated
from scipy import stats

from retreat.definitions import read_definition
from retreat.fitting import bayes
from retreat.fitting.bayes import fit_posterior, posterior_model
from retreat.fitting.design import design
from retreat.fitting.nested import fit as nested_fit
from retreat.fitting.nested import sampler
from retreat.fitting.nested.courses import lay_out
from retreat.fitting.nested.fit import NotUsableError, fit_nested, obstacle
from retreat.fitting.nested.hardness import kinds
from retreat.fitting.nested.prior import definition_prior
from retreat.fitting.nested.proposal import Mesh, Problem, no_wider, quadratics, top
from retreat.fitting.nested.spreads import Spreads

MESH = Mesh((1.5, 3.0), 6)


def problem_of(table, n_nodes=7):
    courses, X = columns_of(table)
    prior = definition_prior(table, courses)
    return Problem(courses, X, prior, prior.spreads.kinds(n_nodes))


@pytest.fixture(scope="module")
def frailty():
    table = plain("frailty", cases=150, patients_of=2)
    problem = problem_of(table)
    found = top(problem)
    return problem, found, quadratics(problem, found, MESH)


def test_at_the_top_the_slope_of_the_posterior_is_nothing(frailty):
    problem, found, _ = frailty
    d = len(found.point)
    here = problem.curvature(found.point, found.line)
    precision = problem.prior.precisions(found.line[None])[0]
    slope = here.gradient[:d] - precision @ (found.point - problem.prior.mean)
    step = np.linalg.solve(here.information[:d, :d] + precision, slope)
    assert np.abs(step).max() < 1e-3


def test_between_nodes_the_spline_gives_the_nodes_back(frailty):
    _, found, parts = frailty
    kinds_there = found.kinds + parts.nodes @ parts.root.T
    there = parts.at(kinds_there)
    for name in ("value", "point", "gradient", "information"):
        expected = getattr(parts.parts, name)
        np.testing.assert_allclose(getattr(there, name), expected, atol=1e-7 * np.abs(expected).max())


def test_quadratics_at_nodes_are_those_of_the_likelihood(frailty):
    problem, found, parts = frailty
    for node, point, value in zip(parts.nodes, parts.parts.point, parts.parts.value, strict=True):
        line = found.line.copy()
        line[problem.prior.spreads.n_logged :] += parts.root @ node
        assert problem.curvature(point, line).value == pytest.approx(value, abs=1e-9)


def test_nothing_is_known_beyond_the_nodes(frailty):
    _, found, parts = frailty
    far = found.kinds + 3.1 * parts.root[:, 0] / np.linalg.norm(np.linalg.solve(parts.root, parts.root[:, 0]))
    assert parts.at(far[None]).value[0] == -np.inf


def test_between_nodes_the_value_is_near_the_likelihood(frailty):
    """Half way between nodes of the inner shell, at the interpolated point: within 0.1 of the log likelihood."""
    problem, found, parts = frailty
    angle = 2 * np.pi * (np.arange(6) + 0.5) / 6
    away = 1.2 * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    there = parts.at(found.kinds + away @ parts.root.T)
    for i in range(6):
        line = found.line.copy()
        line[problem.prior.spreads.n_logged :] += parts.root @ away[i]
        assert problem.curvature(there.point[i], line).value == pytest.approx(there.value[i], abs=0.1)


def test_evidence_given_the_spreads_is_the_integral_over_the_normal():
    """Without patients the quadratic of a normal is exact: the same as a dense formula of linear algebra."""
    table = plain(cases=80)
    problem = problem_of(table)
    found = top(problem)
    search = sampler.Search(problem, found, MESH, 480, np.random.default_rng(1))
    line = problem.prior.spreads.draw(6, np.random.default_rng(2))
    part, prior = search.quadratics.parts, problem.prior
    expected = []
    for precision in prior.precisions(line):
        whole = part.information[0] + precision
        away = part.point[0] - prior.mean
        slope = part.gradient[0] - precision @ away
        height = part.value[0] - 0.5 * away @ precision @ away + 0.5 * slope @ np.linalg.solve(whole, slope)
        expected.append(height + 0.5 * (np.linalg.slogdet(precision)[1] - np.linalg.slogdet(whole)[1]))
    found_evidence = search.evidence(line)
    np.testing.assert_allclose(np.diff(found_evidence), np.diff(expected), atol=1e-8)


def test_a_quadratic_that_promises_more_than_a_likelihood_is_not_believed(frailty):
    problem, found, parts = frailty
    search = sampler.Search(problem, found, MESH, 480, np.random.default_rng(1))
    search.quadratics = replace(parts, parts=parts.parts._replace(gradient=parts.parts.gradient + 1e4))
    assert np.all(search.evidence(problem.prior.spreads.draw(20, np.random.default_rng(1))) == -np.inf)


def test_steps_of_the_mixture_have_the_density_they_say():
    """The radius of 4,000 steps against the mixture's own: Kolmogorov-Smirnov at 1e-4; the density by scipy."""
    steps, log_density = sampler._mixed_t(4000, 5, np.random.default_rng(1))
    shapes = [(share, stats.multivariate_t(shape=np.eye(5), df=tails)) for share, tails in sampler._TAILS]
    expected = np.log(sum(share * one.pdf(steps[:50]) for share, one in shapes))
    np.testing.assert_allclose(log_density[:50], expected, rtol=1e-10)
    radius = (steps**2).sum(axis=1) / 5

    def cdf(x):
        return sum(share * stats.f(5, tails).cdf(x) for share, tails in sampler._TAILS)

    assert stats.kstest(radius, cdf).pvalue > 1e-4


def test_few_nodes_for_a_small_loading_and_the_problem_s_own_for_a_large_one(frailty):
    problem, found, _ = frailty
    problem = replace(problem, kinds=kinds(hard=True, never=False))
    near = replace(found, line=np.r_[found.line[:-2], 0.1, 0.1], covariance=1e-4 * np.eye(2))
    far = replace(near, line=np.r_[found.line[:-2], 3.0, 2.0])
    assert len(sampler.fewest_nodes(problem, near).node) == 5
    assert len(sampler.fewest_nodes(problem, far).node) == 11


def test_a_covariance_wider_than_the_prior_is_narrowed_and_a_narrower_one_kept():
    sd = np.array([0.5, 1.0])
    wide = no_wider(np.diag([4.0, 0.04]), sd)
    np.testing.assert_allclose(wide, np.diag([0.25, 0.04]))


def test_session_effects_on_a_line_have_no_place():
    table = plain(cases=60)
    line = table.definition.sessions.model_copy(update={"effect": "linear"})
    table = replace(table, definition=replace(table.definition, sessions=line))
    assert obstacle(table) == "session effects on a line"
    assert obstacle(plain(cases=60)) == ""


def first_sessions(cases):
    """Only whether the first session was the last: one session, no steps."""
    return clinic("known", cases=cases)


def test_one_session_and_one_operator_have_no_spreads():
    table = design(first_sessions(60).assign(operator="op_a"), read_definition("second_session"))
    posterior = fit_nested(table, seed=1)
    assert posterior.step_sd.shape == posterior.operator_sd.shape == (2000, 0)
    assert posterior.operator_effect.shape == (2000, 1, 0)
    assert np.all(posterior.effects.std(axis=0) > 0)
    assert posterior.diagnostics["pareto_k"] < 0.7


def test_without_columns_and_spreads_the_posterior_is_that_of_a_grid():
    """One number to learn: mean and deviation of the session effect against a grid, within 4 standard errors."""
    terms = {"terms": (), "entries": ()}
    table = design(first_sessions(60).assign(operator="op_a"), ungated("second_session", **terms))
    posterior = fit_nested(table, seed=1)
    grid = np.linspace(-6, 6, 20_001)
    ended = int((table.ending > 0).sum())
    height = ended * grid - len(table.ending) * np.logaddexp(0, grid) - 0.5 * (grid / 1.5) ** 2
    weight = np.exp(height - height.max())
    weight /= weight.sum()
    mean = weight @ grid
    sd = np.sqrt(weight @ (grid - mean) ** 2)
    draws = posterior.effects[:, 0, 0]
    error = sd / np.sqrt(posterior.diagnostics["effective_draws"])
    assert table.X.shape[1] == 0
    assert abs(draws.mean() - mean) < 4 * error
    assert abs(draws.std() / sd - 1) < 4 / np.sqrt(2 * posterior.diagnostics["effective_draws"])


def test_nobody_ended_still_has_a_posterior_near_the_prior_s_low_end():
    table = plain(cases=40)
    table = replace(table, ending=np.zeros(40, dtype=np.int64))
    posterior = fit_nested(table, seed=1)
    assert posterior.effects[:, 0, 0].mean() < -1.0


def test_the_same_seed_gives_the_same_draws_and_another_others():
    table = plain("mover_stayer", cases=60)
    one, two, other = (fit_nested(table, seed=seed) for seed in (4, 4, 5))
    for name in (
        "coefficients",
        "effects",
        "step_sd",
        "operator_sd",
        "operator_effect",
        "never",
        "log_prior",
    ):
        assert np.array_equal(getattr(one, name), getattr(two, name))
        assert not np.array_equal(getattr(one, name), getattr(other, name))


def test_the_order_of_rows_only_changes_the_order_of_likelihoods():
    table = plain("frailty", cases=60, patients_of=2)
    posterior = fit_nested(table, seed=2)
    order = np.random.default_rng(3).permutation(60)
    turned = replace(
        table,
        **{name: getattr(table, name)[order] for name in ("X", "sessions", "ending", "patient", "operator")},
    )
    again = replace(posterior, design=turned)
    np.testing.assert_allclose(
        again.case_log_likelihood(), posterior.case_log_likelihood()[:, order], atol=1e-4
    )


def test_log_prior_is_that_of_the_draws():
    table = plain(cases=60)
    posterior = fit_nested(table, seed=1)
    prior = definition_prior(table, lay_out(table))
    n = posterior.n_draws
    columns = np.concatenate([posterior.coefficients, posterior.operator_effect], axis=2)
    point = np.concatenate([columns.reshape(n, -1), posterior.effects.reshape(n, -1)], axis=1)
    line = np.log(np.concatenate([posterior.step_sd, posterior.operator_sd], axis=1))
    np.testing.assert_allclose(posterior.log_prior, prior.log_density(point, line), rtol=1e-10)


@pytest.fixture
def no_chains(monkeypatch):
    """NUTS replaced by a mark that it was asked for."""

    class AskedError(Exception):
        pass

    def asked(*args, **kwargs):
        raise AskedError

    monkeypatch.setattr(bayes, "fit_bayes", asked)
    return AskedError


def test_the_fast_posterior_is_tried_first_and_needs_no_chains(no_chains):
    posterior = fit_posterior(plain(cases=60), seed=1)
    assert posterior.sampler == "nested"
    assert posterior_model(posterior, seed=1).card.for_counselling


def test_nuts_can_be_forced(no_chains):
    with pytest.raises(no_chains):
        fit_posterior(plain(cases=60), seed=1, sampler="nuts")


@pytest.mark.parametrize("limit", ["MAX_KHAT", "MIN_DRAWS"])
def test_draws_that_fail_a_check_are_not_used(limit, monkeypatch, no_chains):
    monkeypatch.setattr(nested_fit, limit, -1.0 if limit == "MAX_KHAT" else 1e9)
    with pytest.raises(NotUsableError, match=r"Pareto k-hat .* effective draws"):
        fit_nested(plain(cases=60), seed=1)
    with pytest.raises(no_chains):
        fit_posterior(plain(cases=60), seed=1)


def test_where_no_top_is_found_there_are_no_draws(monkeypatch):
    def lost(problem, **kwargs):
        raise FloatingPointError("no top of the posterior was found")

    monkeypatch.setattr(nested_fit, "searched", lost)
    with pytest.raises(NotUsableError, match="no top of the posterior was found"):
        fit_nested(plain(cases=60), seed=1)


def test_the_prior_scale_widens_the_coefficients():
    table = design(first_sessions(60).assign(operator="op_a"), read_definition("second_session"))
    narrow, wide = (fit_nested(table, seed=1, prior_scale=scale) for scale in (0.2, 5.0))
    assert np.all(narrow.coefficients.std(axis=0) < wide.coefficients.std(axis=0))


def test_the_table_of_a_design_is_not_changed():
    table = plain(cases=60)
    before = [np.array(getattr(table, name)) for name in ("X", "sessions", "ending", "patient", "operator")]
    fit_nested(table, seed=1)
    for name, kept in zip(("X", "sessions", "ending", "patient", "operator"), before, strict=True):
        assert np.array_equal(getattr(table, name), kept)


class Mirrored(Spreads):
    """The same spreads, climbed from the other side of the mirror."""

    def middle(self):
        line = super().middle()
        line[self.n_logged : self.n_logged + self.n_ends] *= -1.0
        return line


def test_a_climb_from_the_mirror_image_finds_the_same_top():
    table = design(clinic("known_clustered", seed=1, cases=600), read_definition("frailty"))
    problem = problem_of(table)
    found = top(problem)
    spreads = problem.prior.spreads
    fields = {name: getattr(spreads, name) for name in spreads.__dataclass_fields__}
    other = top(replace(problem, prior=replace(problem.prior, spreads=Mirrored(**fields))))
    assert found.kinds[0] > 0.1
    assert other.kinds == pytest.approx(found.kinds, abs=0.02)
    assert other.covariance == pytest.approx(found.covariance, abs=0.01)
