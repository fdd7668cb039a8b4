"""The likelihood with patients integrated out against published cycles to conception with logit-normal frailty.

Counts of Weinberg and Gladen (1986) in data/beta_geometric.csv; estimates in data/nested_frailty.csv, made from them
with Gauss-Legendre quadrature of 1,500 nodes on [-9, 9] and scipy.optimize (Nelder-Mead). One end, one person a case,
one effect for all cycles, 40 Gauss-Hermite nodes. Values are good to what that search gives: 1e-3 in mu and sigma,
1e-5 in the log likelihood; the gradient at estimates off by 1e-3 is the information times that.
"""

from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from retreat.fitting.nested.courses import Courses
from retreat.fitting.nested.curvature import curvature
from retreat.fitting.nested.hardness import kinds
from retreat.fitting.nested.likelihood import Draws, log_likelihood

DATA = Path(__file__).parent / "data"
COUNTS = pd.read_csv(DATA / "beta_geometric.csv").query("quantity in ['succeeded at', 'still going after']")
VALUES = pd.read_csv(DATA / "nested_frailty.csv").pivot(index="group", columns="quantity", values="value")
GROUPS = ["smokers", "nonsmokers", "pooled"]
MANY = kinds(hard=True, never=False, n_nodes=40)


@cache
def courses_of(group):
    """One person a case, longest first."""
    counts = COUNTS if group == "pooled" else COUNTS[COUNTS.group == group]
    counts = counts.sort_values(["session", "quantity"], ascending=False)
    n = counts.value.to_numpy(int)
    sessions = np.repeat(counts.session.to_numpy(int), n)
    ending = np.repeat((counts.quantity == "succeeded at").to_numpy(int), n)
    each = np.arange(len(sessions))
    return Courses(
        X=np.zeros((len(each), 0)),
        operator=0 * each,
        patient=each,
        sessions=sessions,
        ending=ending,
        size=np.array([(sessions >= k).sum() for k in range(1, sessions.max() + 1)]),
        own=np.zeros(sessions.max(), dtype=int),
        position=each,
        ranks=(each,),
        n_ends=1,
    )


def at(group, mu, sigma, nodes=MANY):
    courses = courses_of(group)
    return curvature(courses, courses.X, np.array([mu]), np.array([sigma]), 0.0, nodes)


@pytest.mark.parametrize("group", GROUPS)
def test_log_likelihood_at_the_estimates(group):
    one = VALUES.loc[group]
    assert at(group, one.mu, one.sigma).value == pytest.approx(one["log likelihood"], abs=1e-5)


@pytest.mark.parametrize("group", GROUPS)
def test_gradient_is_nothing_at_the_estimates(group):
    """Estimates within 1e-3: so far does a Newton step go at most."""
    one = VALUES.loc[group]
    here = at(group, one.mu, one.sigma)
    assert np.abs(np.linalg.solve(here.information, here.gradient)).max() < 1e-3
    assert np.all(np.linalg.eigvalsh(here.information) > 0)


@pytest.mark.parametrize("group", GROUPS)
def test_newton_steps_from_elsewhere_find_the_estimates(group):
    one, point = VALUES.loc[group], np.array([0.0, 0.5])
    for _ in range(30):
        here = at(group, *point)
        values, vectors = np.linalg.eigh(here.information)
        step = vectors @ ((vectors.T @ here.gradient) / np.maximum(np.abs(values), 1.0))
        point = point + step * min(1.0, 0.5 / np.abs(step).max())
    assert point[0] == pytest.approx(one.mu, abs=1e-3)
    assert point[1] == pytest.approx(one.sigma, abs=1e-3)


@pytest.mark.parametrize("group", GROUPS)
def test_without_frailty_it_is_the_geometric(group):
    one = VALUES.loc[group]
    p = one["geometric p"]
    here = at(group, np.log(p / (1 - p)), 0.0, kinds(hard=False, never=False))
    assert here.value == pytest.approx(one["geometric log likelihood"], abs=1e-5)
    assert np.abs(here.gradient[0]) < 1e-4  # p has 8 digits


@pytest.mark.parametrize("group", GROUPS)
def test_the_likelihood_of_draws_is_the_same_in_single_precision(group):
    """1e-3 over up to 586 persons."""
    one = VALUES.loc[group]
    draw = Draws(
        coefficients=np.zeros((1, 1, 0)),
        effects=np.array([[[one.mu]]]),
        operator=np.zeros((1, 1, 0)),
        loading=np.array([[one.sigma]]),
        never=np.zeros(1),
    )
    found = log_likelihood(courses_of(group), draw, MANY)[0]
    assert found == pytest.approx(one["log likelihood"], abs=1e-3)
