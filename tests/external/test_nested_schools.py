"""The nested sampler on eight schools: mean, spread and schools against exact one-dimensional quadrature.

The sampler knows courses, not scores, but all it asks of a likelihood is a quadratic and a value: here both are those
of eight normal scores, which replaces `curvature` and `log_likelihood`; everything else (spreads, search, mixture
proposal, weights, Pareto smoothing) is the package's own. Schools stand for operators of one end, with the mean as the
session effect. Data: Rubin (1981), as in posteriordb eight_schools (BSD-3). The prior of the spread is half-normal of
scale 5 here, as in the package, so the reference is quadrature with that prior, made here; the quadrature itself is
held against posteriordb's reference means under its half-Cauchy prior (10,000 draws; z below 4).
"""

import numpy as np
import pytest
from scipy import stats

from retreat.fitting.nested import sampler
from retreat.fitting.nested.curvature import Curvature
from retreat.fitting.nested.hardness import kinds
from retreat.fitting.nested.prior import Prior
from retreat.fitting.nested.proposal import Mesh
from retreat.fitting.nested.spreads import Spreads

SCORE = np.array([28, 8, -3, 7, -1, 1, 18, 12.0])
ERROR = np.array([15, 10, 16, 11, 9, 11, 10, 18.0])
# posteriordb eight_schools-eight_schools_noncentered: mean and its Monte-Carlo error
PUBLISHED = {"mu": (4.41051833695493, 0.0330374705950917), "tau": (3.60205952364059, 0.0318615135640706)}


def quadrature(prior):
    """Means of mu, tau and the eight schools, deviations of mu and tau, over 20,000 values of tau."""
    grid = (np.arange(20_000) + 0.5) / 20_000
    tau = prior.ppf(grid)
    variance = ERROR**2 + tau[:, None] ** 2
    precision = 1 / 25 + (1 / variance).sum(axis=1)
    mean = (SCORE / variance).sum(axis=1) / precision
    height = -0.5 * (
        np.log(variance).sum(axis=1)
        + np.log(precision)
        + (SCORE**2 / variance).sum(axis=1)
        - mean**2 * precision
    )
    weight = np.exp(height - height.max())
    weight /= weight.sum()
    pull = tau[:, None] ** 2 / variance
    return {
        "mu": weight @ mean,
        "tau": weight @ tau,
        "sd mu": np.sqrt(weight @ (mean**2 + 1 / precision) - (weight @ mean) ** 2),
        "sd tau": np.sqrt(weight @ tau**2 - (weight @ tau) ** 2),
        "schools": weight @ (pull * SCORE + (1 - pull) * mean[:, None]),
    }


def test_the_quadrature_agrees_with_published_draws():
    found = quadrature(stats.halfcauchy(scale=5))
    for name, (mean, error) in PUBLISHED.items():
        assert abs(found[name] - mean) < 4 * error


class Schools:
    """Eight normal scores in place of courses: theta of each school is its own effect plus the mean."""

    kinds = kinds(hard=False, never=False)
    courses = None

    def __init__(self):
        d = 9  # schools, then the mean
        precision, operator = np.zeros((d, d)), np.zeros((1, d, d))
        precision[8, 8] = 1 / 25
        operator[0, np.arange(8), np.arange(8)] = 1.0
        spreads = Spreads(1, step=None, operator=5.0, patient=None, never=None)
        self.prior = Prior(np.zeros(d), precision, np.zeros((1, d, d)), operator, 0, 8, spreads)

    def curvature(self, point, line):
        design = np.hstack([np.eye(8), np.ones((8, 1))])
        away = (SCORE - design @ point) / ERROR
        scaled = design / ERROR[:, None]
        # a constant, as log likelihoods of courses are below 0
        return Curvature(-0.5 * away @ away - 20.0, scaled.T @ away, scaled.T @ scaled)


def test_nested_draws_agree_with_quadrature(monkeypatch):
    """4,000 weighted draws: means within 4.5 standard errors, deviations within 8%."""
    from arviz_stats.base.array import array_stats

    def height(courses, draws, kinds):
        point = draws
        return -0.5 * (((SCORE - point[:, :8] - point[:, 8:]) / ERROR) ** 2).sum(axis=1) - 20.0

    monkeypatch.setattr(sampler, "log_likelihood", height)
    monkeypatch.setattr(sampler, "named", lambda problem, point, line: point)
    monkeypatch.setattr(sampler, "replace", lambda value, **changes: value)
    problem = Schools()
    search = sampler.searched(
        problem, spreads=3200, rng=np.random.default_rng(1), mesh=Mesh((1.5, 3.0), 6), looking=5
    )
    found = sampler.weighted(search, 4000)
    smoothed, khat = array_stats.psislw(-found.log_weight)
    weight = np.exp(smoothed)
    expected = quadrature(stats.halfnorm(scale=5))
    count = 1 / (weight**2).sum()
    values = {"mu": found.point[:, 8], "tau": np.exp(found.line[:, 0])}
    assert khat < 0.7
    assert count > 1000
    for name, draws in values.items():
        mean = weight @ draws
        sd = np.sqrt(weight @ (draws - mean) ** 2)
        # picked spreads carry the error of the search, some 1,000 effective draws
        assert abs(mean - expected[name]) < 4.5 * expected[f"sd {name}"] / np.sqrt(1000)
        assert sd == pytest.approx(expected[f"sd {name}"], rel=0.08)
    schools = weight @ (found.point[:, :8] + found.point[:, 8:])
    np.testing.assert_allclose(schools, expected["schools"], atol=4.5 * 5.5 / np.sqrt(1000))
