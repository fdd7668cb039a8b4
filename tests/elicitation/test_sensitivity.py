"""Whether prior and cases pull apart: closed forms, ArviZ on a conjugate posterior, and the rate of false alarms."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from answered import CODING, CORE
from clinics import clinic
from hypothesis import given
from hypothesis import strategies as st
from toy_posterior import toy_posterior

from retreat.definitions import Groups
from retreat.elicitation.before_and_after import looked_at
from retreat.elicitation.sensitivity import (
    BOTH_SPEAK,
    CONFLICT,
    PRIOR_SPEAKS,
    SETTLED,
    SURPRISING,
    Quantities,
    Sensitivity,
    power_scaling,
    surprise,
)
from retreat.fitting.design import design
from retreat.fitting.prior_draws import prior_draws
from retreat.hazard import hazards


def normal(
    mean: float, n: int, spread: float, draws: int = 4000
) -> tuple[np.ndarray, np.ndarray, Quantities]:
    """Posterior of a normal mean after n values of variance 1, and its prior around 0."""
    rng = np.random.default_rng(1)
    information = n + spread**-2.0
    after = rng.normal(n * mean / information, information**-0.5, draws)
    values = mean + np.linspace(-1, 1, n)
    log_likelihood = -0.5 * (values - after[:, None]) ** 2
    before = rng.normal(0.0, spread, draws)
    told = Quantities(("mean",), ("all",), before[:, None, None], after[:, None, None])
    return log_likelihood, -0.5 * (after / spread) ** 2, told


@pytest.mark.parametrize(
    ("mean", "n", "spread", "diagnosis"),
    [
        (0.1, 50, 1.0, SETTLED),
        (5.0, 10, 0.7, CONFLICT),
        (0.0, 5, 0.1, PRIOR_SPEAKS),
        # both inform alike and agree: hanging on both is no conflict
        (0.4, 10, 0.3, BOTH_SPEAK),
    ],
)
def test_a_normal_mean_is_diagnosed_as_it_was_made(
    mean: float, n: int, spread: float, diagnosis: str
) -> None:
    log_likelihood, log_prior, told = normal(mean, n, spread)

    (found,) = power_scaling(log_prior, log_likelihood, {"it": told}, n_chains=1)

    assert found.diagnosis == diagnosis
    # the mean of n values is normal around 0 with variance spread^2 + 1 / n
    z = mean / np.sqrt(spread**2 + 1 / n)
    assert found.surprise == pytest.approx(z, abs=0.15 + 0.05 * abs(z))


@given(st.floats(-3, 3), st.floats(0.2, 3), st.floats(0.05, 0.95))
def test_a_surprise_is_the_move_over_what_such_moves_spread(move: float, spread: float, share: float) -> None:
    around = np.array([-1.0, 1.0])
    before, after = spread * around, move + np.sqrt(share) * spread * around

    assert surprise(before, after) == pytest.approx(move / (spread * np.sqrt(1 - share)), rel=1e-9)


def test_draws_of_several_chains_and_cases_added_up_by_patient_tell_the_same() -> None:
    log_likelihood, log_prior, told = normal(1.0, 10, 0.7)
    by_patient = log_likelihood.reshape(-1, 5, 2).sum(axis=2)

    (one,) = power_scaling(log_prior, log_likelihood, {"it": told}, n_chains=1)
    (four,) = power_scaling(log_prior, by_patient, {"it": told}, n_chains=4)

    # chains enter by the length of the tail that is smoothed alone
    assert (four.prior, four.likelihood) == pytest.approx((one.prior, one.likelihood), rel=0.02)


def test_cases_that_tell_nothing_surprise_nobody() -> None:
    around = np.array([-1.0, 1.0])

    assert surprise(around, 5 + around) == 0.0
    assert surprise(around, 5 + 1.1 * around) == 0.0


@pytest.mark.parametrize(
    ("prior", "likelihood", "z", "diagnosis"),
    [
        (0.049, 9.0, 9.0, SETTLED),
        (0.05, 0.049, 9.0, PRIOR_SPEAKS),
        (0.05, 0.05, 3.28, BOTH_SPEAK),
        (0.05, 0.05, -3.30, CONFLICT),
    ],
)
def test_the_limits_of_a_diagnosis(prior: float, likelihood: float, z: float, diagnosis: str) -> None:
    assert Sensitivity("a", "b", prior, likelihood, z).diagnosis == diagnosis


@pytest.mark.slow
def test_cases_as_the_prior_expects_are_seldom_called_a_surprise() -> None:
    plain = replace(CORE, groups=Groups())
    cases = clinic("known", seed=8, cases=150)
    truths = prior_draws(plain, CODING, draws=40, sessions=12, seed=9)
    X = CODING.encode(design(cases, plain).features, n_cases=len(design(cases, plain).X))
    cases = cases[cases["case"].isin(_fitted(cases))].reset_index(drop=True)
    called = 0
    for one in range(truths.n_draws):
        table = design(_simulated(cases, truths, X, one), plain)
        groups = looked_at(plain, toy_posterior(table, draws=600), seed=one, draws=1500)
        z = np.concatenate([surprise(g.prior, g.posterior).ravel() for g in groups.values()])
        called += bool((np.abs(z) >= SURPRISING).any())
    # 11 of 200 tables in a longer run: of 40, more than 6 would be so in 1 of 100 runs
    assert called <= 6


def _fitted(cases: pd.DataFrame) -> set[str]:
    from retreat.fitting.design import read_data

    return set(cases["case"][read_data(cases, CORE).complete])


def _simulated(cases: pd.DataFrame, truths: Any, X: np.ndarray, one: int) -> pd.DataFrame:
    rng = np.random.default_rng([10, one])
    eta = X @ truths.coefficients[one].T  # (cases, ends)
    hazard = hazards(eta[..., None] + truths.session_effects[one, 0])  # (cases, ends, sessions)
    luck = rng.random((len(X), hazard.shape[-1]))
    relieved = luck < hazard[:, 0]
    over = luck < hazard.sum(axis=1)
    last = np.where(over.any(axis=1), over.argmax(axis=1), hazard.shape[-1] - 1)
    case = np.arange(len(X))
    ending = np.where(~over.any(axis=1), "ongoing", np.where(relieved[case, last], "relieved", "stopped"))
    reason = np.where(ending == "stopped", "no_benefit", "not_applicable")
    return cases.assign(sessions=(last + 1).astype(str), ending=ending, stop_reason=reason)
