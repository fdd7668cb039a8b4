"""The likelihood of the fast posterior against one written out case by case, session by session."""

import numpy as np
import pytest
from nested_clinics import columns_of, plain, some_point

from retreat.fitting.nested import likelihood
from retreat.fitting.nested.courses import lay_out
from retreat.fitting.nested.curvature import curvature
from retreat.fitting.nested.hardness import N_NODES, Kinds, kinds
from retreat.fitting.nested.likelihood import Draws, case_log_likelihood, log_likelihood
from retreat.fitting.nested.prior import definition_prior
from retreat.fitting.nested.proposal import Problem, top

KINDS = [(False, False), (True, False), (False, True), (True, True)]


def draws_of(courses, n=3, *, loading=0.6, never=0.0, seed=5, operators=True):
    rng = np.random.default_rng(seed)
    K = courses.n_ends
    return Draws(
        coefficients=rng.normal(0.0, 0.4, (n, K, courses.X.shape[1])),
        effects=rng.normal(-0.8, 0.4, (n, K, courses.n_effects)),
        operator=rng.normal(0.0, 0.4, (n, K, courses.n_operators if operators else 0)),
        loading=loading * rng.normal(size=(n, K)),
        never=np.full(n, never),
    )


def by_hand(table, courses, draws, chosen, *, hard, never, n_nodes, without=None):
    """Log likelihood of one draw, patients' kinds added up, in plain double precision."""
    own = courses.own
    nodes, weights = np.polynomial.hermite_e.hermegauss(n_nodes) if hard else (np.zeros(1), np.ones(1))
    weights = weights / weights.sum()
    total = 0.0
    for patient in np.unique(table.patient):
        mine = [i for i in np.flatnonzero(table.patient == patient) if i != without]
        likelihood = 0.0
        for responds in (True, False) if never else (True,):
            share = 1.0 if not never else (1 - draws.never[chosen] if responds else draws.never[chosen])
            for node, weight in zip(nodes, weights, strict=True):
                chance = share * weight
                for i in mine:
                    eta = draws.coefficients[chosen] @ table.X[i] + node * draws.loading[chosen]
                    if draws.operator.shape[-1]:
                        eta = eta + draws.operator[chosen][:, table.operator[i]]
                    for k in range(table.sessions[i]):
                        odds = np.exp(eta + draws.effects[chosen][:, own[k]])
                        if not responds:
                            odds[0] = 0.0
                        last = k == table.sessions[i] - 1
                        way = table.ending[i] if last else 0
                        chance *= (odds[way - 1] if way else 1.0) / (1.0 + odds.sum())
                likelihood += chance
        total += np.log(likelihood)
    return total


@pytest.mark.parametrize("patients_of", [1, 2, 3])
@pytest.mark.parametrize(("hard", "never"), KINDS)
def test_log_likelihood_is_that_by_hand(hard, never, patients_of):
    """Single precision over 60 cases: 1e-4 of some 80."""
    table = plain(cases=60, patients_of=patients_of)
    courses = lay_out(table)
    draws = draws_of(courses, never=0.2 if never else 0.0)
    found = log_likelihood(courses, draws, kinds(hard=hard, never=never, n_nodes=7))
    expected = [by_hand(table, courses, draws, i, hard=hard, never=never, n_nodes=7) for i in range(3)]
    np.testing.assert_allclose(found, expected, atol=1e-4, rtol=0)


def test_a_case_counts_given_the_other_cases_of_its_patient():
    table = plain(cases=45, patients_of=3)
    courses = lay_out(table)
    draws = draws_of(courses, n=1, never=0.2)
    found = case_log_likelihood(courses, draws, kinds(hard=True, never=True, n_nodes=7))[0]
    settings = {"hard": True, "never": True, "n_nodes": 7}
    whole = by_hand(table, courses, draws, 0, **settings)
    expected = [whole - by_hand(table, courses, draws, 0, without=i, **settings) for i in range(45)]
    np.testing.assert_allclose(found, expected, atol=1e-4, rtol=0)


@pytest.mark.parametrize("patients_of", [1, 2])
def test_cases_of_their_own_add_up_to_the_whole(patients_of):
    table = plain(cases=50, patients_of=patients_of)
    courses = lay_out(table)
    draws, all_kinds = draws_of(courses, n=400), kinds(hard=False, never=False)
    by_case = case_log_likelihood(courses, draws, all_kinds).sum(axis=1)
    np.testing.assert_allclose(by_case, log_likelihood(courses, draws, all_kinds), atol=2e-4, rtol=0)


def test_draws_in_many_blocks_are_those_one_by_one(monkeypatch):
    monkeypatch.setattr(likelihood, "_BLOCK_VALUES", 400 * 164)
    table = plain(cases=400, patients_of=2)
    courses = lay_out(table)
    draws, all_kinds = draws_of(courses, n=500, never=0.2), kinds(hard=True, never=True)
    together = log_likelihood(courses, draws, all_kinds)
    alone = [log_likelihood(courses, draws.part(slice(i, i + 1)), all_kinds)[0] for i in (0, 163, 164, 499)]
    np.testing.assert_allclose(together[[0, 163, 164, 499]], alone, atol=2e-3, rtol=0)


def test_an_impossible_course_has_no_likelihood_and_a_huge_predictor_no_nan():
    table = plain(cases=40)
    courses = lay_out(table)
    draws = draws_of(courses, n=2, never=1.0)
    assert np.all(log_likelihood(courses, draws, kinds(hard=False, never=True)) == -np.inf)
    draws.coefficients[0] = 80.0
    found = log_likelihood(courses, draws_with_large_loading(draws), kinds(hard=True, never=False))
    assert not np.isnan(found).any()


def draws_with_large_loading(draws):
    return Draws(draws.coefficients, draws.effects, draws.operator, 40.0 + 0 * draws.loading, draws.never)


def test_the_value_of_the_quadratic_is_the_log_likelihood():
    table = plain(cases=90, patients_of=2)
    courses, X = columns_of(table)
    point = some_point(courses, X)
    K, p = courses.n_ends, courses.X.shape[1]
    columns = point[: K * X.shape[1]].reshape(1, K, -1)
    effects, loading = point[K * X.shape[1] :].reshape(1, K, -1), np.array([[0.7, -0.4]])
    for hard, never in KINDS:
        share = np.array([0.1 if never else 0.0])
        draws = Draws(columns[..., :p], effects, columns[..., p:], loading, share)
        one = kinds(hard=hard, never=never, n_nodes=9)
        value = curvature(courses, X, point, loading[0], share[0], one).value
        assert value == pytest.approx(log_likelihood(courses, draws, one)[0], abs=2e-4)


@pytest.mark.parametrize("loading", [0.3, 0.7, 1.0])
def test_eleven_nodes_are_enough_for_a_thousand_cases_at_loadings_up_to_one(loading):
    """Log likelihood of 1,000 cases within 0.01 of that at 40 nodes, at likely coefficients, in double precision."""
    table = plain("frailty", cases=1000)
    courses, X = columns_of(table)
    problem = Problem(courses, X, definition_prior(table, courses), kinds(hard=True, never=False))
    point = top(problem).point
    both = np.array([loading, -0.5 * loading])
    few, many = (
        curvature(courses, X, point, both, 0.0, kinds(hard=True, never=False, n_nodes=n)).value
        for n in (N_NODES, 40)
    )
    assert abs(few - many) < 0.01


def test_kinds_have_the_moments_of_a_standard_normal_and_their_shares_add_to_one():
    found = kinds(hard=True, never=True, n_nodes=9)
    shares = found.shares(np.array([0.25]))[0]
    assert shares.sum() == pytest.approx(1.0)
    assert shares[~found.responds].sum() == pytest.approx(0.25)
    assert shares @ found.node**2 == pytest.approx(1.0)
    assert shares @ found.node**4 == pytest.approx(3.0)
    assert isinstance(found, Kinds)


def test_courses_stand_longest_first_and_those_that_ended_alike_together():
    table = plain(cases=100, patients_of=3)
    courses = lay_out(table)
    seen = np.zeros(100, dtype=int)
    for end, session, rows in courses.came():
        assert np.all(courses.ending[rows] == end + 1)
        assert np.all(courses.sessions[rows] == session + 1)
        seen[rows] += 1
    assert np.array_equal(seen, (courses.ending > 0).astype(int))
    assert np.all(np.diff(courses.sessions) <= 0)
    assert np.array_equal(np.sort(np.concatenate(courses.ranks)), np.arange(100))
    assert np.array_equal(table.sessions[courses.position], courses.sessions)
