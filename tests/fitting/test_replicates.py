"""Batched refits: each replicate is the single fit under its weights, to rounding."""

from dataclasses import replace

import numpy as np
import pytest

from retreat.errors import FitError
from retreat.fitting import LogisticHazard
from retreat.fitting.hazardfit import Courses, Settings, fit_hazard
from retreat.fitting.raw_scale import raw_ridge
from retreat.fitting.replicates import CHUNK, carried_on, fit_replicates


def simulated(n: int, ends: int, seed: int, columns: int = 4) -> Courses:
    """Courses of up to six sessions by known hazards."""
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(n, columns))
    odds = np.exp(X @ rng.normal(0, 0.5, (ends, columns)).T - 0.4 - 0.7 * np.arange(ends))
    hazard = odds / (1.0 + odds.sum(axis=1, keepdims=True))
    sessions, ending = np.ones(n, dtype=np.int64), np.zeros(n, dtype=np.int64)
    going = np.ones(n, dtype=bool)
    for k in range(1, 7):
        sessions[going] = k
        which = (rng.random(n)[:, None] > np.cumsum(hazard, axis=1)).sum(axis=1)
        ended = going & (which < ends)
        ending[ended] = which[ended] + 1
        going &= ~ended & (rng.random(n) > 0.1)
    return Courses(X, sessions, ending, ends, None, tuple("abcdefgh"[:columns]))


def settings(
    effect: str = "free", penalty: float = 0.0, pool_below: int = 0, columns: int = 4, **changes: object
) -> Settings:
    found = Settings(
        effect, "logit", "plain", pool_below, "impossible", raw_ridge(penalty, effect, np.ones(columns))
    )
    return replace(found, **changes)


def bootstrap(n: int, replicates: int, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).multinomial(n, np.full(n, 1 / n), size=replicates).astype(float)


@pytest.mark.parametrize("ends", [1, 2, 3])
@pytest.mark.parametrize("effect", ["free", "smooth", "linear"])
@pytest.mark.parametrize("penalty", [0.0, 2.0])
@pytest.mark.parametrize("pool_below", [0, 30])
def test_each_replicate_is_the_single_fit_under_its_weights(
    ends: int, effect: str, penalty: float, pool_below: int
):
    courses = simulated(300, ends, seed=ends)
    weights = bootstrap(300, CHUNK + 3, seed=5)

    found = fit_replicates(courses, settings(effect, penalty, pool_below), weights, refuse_separation=False)

    assert not found.failures
    # those in which a third end stands on few cases go alone
    assert found.n_single <= (0.12 * len(weights) if ends == 3 else 1)
    for r in (0, 1, CHUNK, CHUNK + 2):
        here = weights[r] > 0
        alone = fit_hazard(
            replace(courses.rows(here), weights=weights[r][here]), settings(effect, penalty, pool_below)
        )
        coefficients, effects = alone.layout.split(alone.theta)
        np.testing.assert_allclose(found.coefficients[r], coefficients, rtol=0, atol=2e-8)
        own = found.session_effects[r, :, : effects.shape[1]]
        seen = np.isfinite(effects)
        np.testing.assert_array_equal(np.isfinite(own), seen)
        np.testing.assert_allclose(own[seen], effects[seen], rtol=0, atol=2e-7)


def test_a_replicate_does_not_depend_on_the_others():
    courses, weights = simulated(200, 2, seed=3), bootstrap(200, 40, seed=1)

    together = fit_replicates(courses, settings(), weights, refuse_separation=False)
    apart = fit_replicates(courses, settings(), weights[7:8], refuse_separation=False)

    np.testing.assert_allclose(together.coefficients[7], apart.coefficients[0], rtol=0, atol=1e-9)


def test_a_replicate_without_the_longest_courses_carries_its_last_effect_on():
    courses = simulated(300, 1, seed=2)
    last = courses.sessions.max()
    weights = np.where(courses.sessions == last, 0.0, 1.0)[None]

    found = fit_replicates(courses, settings(penalty=1.0), weights, refuse_separation=False)

    assert found.session_effects.shape[2] == last
    assert found.session_effects[0, 0, -1] == found.session_effects[0, 0, -2]


def test_a_separated_replicate_fails_as_a_single_fit_does_and_a_penalty_saves_it():
    rng = np.random.default_rng(1)
    n = 120
    X = np.column_stack([rng.normal(size=n), (np.arange(n) < 6).astype(float)])
    ending = rng.integers(0, 2, n)
    ending[:6] = [0, 0, 0, 1, 1, 1]
    courses = Courses(X, np.ones(n, dtype=np.int64), ending, 1, None, ("x", "rare"))
    weights = np.ones((2, n))
    weights[1, 3:6] = 0.0  # of the rare level only those that went on are left

    plain = Settings("free", "logit", "plain", 0, "impossible", raw_ridge(0.0, "free", np.ones(2)))
    held = replace(plain, penalty=raw_ridge(1.0, "free", np.ones(2)))

    refused = fit_replicates(courses, plain, weights, refuse_separation=True)
    assert list(refused.failures) == [1]
    assert "separation" in refused.failures[1]
    assert np.isnan(refused.coefficients[1]).all()
    assert np.isfinite(refused.coefficients[0]).all()
    saved = fit_replicates(courses, held, weights, refuse_separation=False)
    assert not saved.failures


def test_a_replicate_in_which_nobody_ended_fails_by_itself():
    courses = simulated(100, 1, seed=4)
    weights = np.stack([np.ones(100), (courses.ending == 0).astype(float)])

    found = fit_replicates(courses, settings(penalty=1.0), weights, refuse_separation=False)

    assert list(found.failures) == [1]
    assert "no case has ended" in found.failures[1]


def test_cloglog_goes_one_by_one():
    courses, weights = simulated(150, 1, seed=6), bootstrap(150, 3, seed=2)

    found = fit_replicates(courses, settings(link="cloglog"), weights, refuse_separation=False)

    assert found.n_single == 3
    alone = LogisticHazard(link="cloglog").fit(
        courses.X, courses.sessions, courses.ending, weights=weights[2]
    )
    np.testing.assert_allclose(found.coefficients[2], alone.coef_, rtol=0, atol=1e-5)


def test_large_predictors_are_left_to_the_single_fit():
    courses = simulated(200, 1, seed=8)
    wide = replace(courses, X=courses.X * 400.0)

    found = fit_replicates(wide, settings(), np.ones((1, 200)), refuse_separation=False)

    alone = fit_hazard(wide, settings())
    np.testing.assert_allclose(
        found.coefficients[0], alone.layout.split(alone.theta)[0], rtol=1e-6, atol=1e-12
    )


def test_predictors_too_large_for_single_precision_are_fitted_together_all_the_same():
    courses, plain = simulated(300, 1, seed=8, columns=1), settings(columns=1)
    X = courses.X.copy()
    X[0] = 120.0 / fit_hazard(courses, plain).theta[0]  # exp(88) is the last in single precision
    courses.sessions[0], courses.ending[0] = 1, 1
    wide, weights = replace(courses, X=X), np.ones((2, 300))

    found = fit_replicates(wide, plain, weights, refuse_separation=False)

    alone = fit_hazard(wide, plain)
    coefficients, effects = alone.layout.split(alone.theta)
    assert 100.0 < X[0, 0] * coefficients[0, 0] < 190.0
    assert found.n_single == 0
    np.testing.assert_allclose(found.coefficients[1], coefficients, rtol=0, atol=1e-8)
    np.testing.assert_allclose(found.session_effects[1], effects, rtol=0, atol=1e-8)


def test_a_table_without_columns_has_session_effects_alone():
    courses, weights = simulated(200, 2, seed=3, columns=0), bootstrap(200, 5, seed=1)
    plain = settings(columns=0)

    found = fit_replicates(courses, plain, weights, refuse_separation=False)

    assert found.coefficients.shape == (5, 2, 0)
    at_risk = weights.sum(axis=1)
    ended = np.stack(
        [weights @ ((courses.sessions == 1) & (courses.ending == end)) for end in (1, 2)], axis=1
    )
    np.testing.assert_allclose(
        found.session_effects[:, :, 0],
        np.log(ended / (at_risk - ended.sum(axis=1))[:, None]),  # of multinomial shares
        rtol=0,
        atol=1e-8,
    )


def test_effects_are_carried_on():
    assert carried_on(np.array([[1.0, 2.0]]), 4).tolist() == [[1.0, 2.0, 2.0, 2.0]]


def test_a_table_that_cannot_be_fitted_fails_in_every_replicate():
    courses = replace(simulated(50, 1, seed=9), ending=np.zeros(50, dtype=np.int64))

    found = fit_replicates(courses, settings(), np.ones((2, 50)), refuse_separation=False)

    assert sorted(found.failures) == [0, 1]
    with pytest.raises(FitError, match="no case has ended"):
        fit_hazard(courses, settings())
