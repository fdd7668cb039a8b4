"""Updating a posterior: two steps agree with one, the discount tells, published averages give way to own cases."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

import retreat
import synthetic
from retreat.definitions import read_definition
from retreat.errors import FitError
from retreat.features import features
from retreat.fitting.design import design
from retreat.model import Model
from retreat.model.kernel import pmf
from retreat.updating import update
from retreat.updating.bayesian import carry_over, update_bayes

EYES = {
    "opacity": ["ring", "strand", "cloud"],
    "size_mm": [2.0, 3.0, 4.0],
    "zone": ["middle", "middle", "posterior"],
    "cornea": ["none", "myopic_ablation", "none"],
    "lens": ["natural"] * 3,
}


@cache
def clinic(seed: int, cases: int, scenario: str = "known") -> pd.DataFrame:
    return pd.DataFrame(synthetic.make(scenario, seed=seed, cases=cases, truth=False).cases)


@cache
def parent() -> Model:
    return retreat.fit(clinic(1, 400), "core", method="bayes")


@cache
def start() -> Model:
    return retreat.published()


def test_two_steps_agree_with_one() -> None:
    # known has no spread between operators: cases of both clinics at once, against one after the other
    both = pd.concat([clinic(1, 400), clinic(2, 300).assign(case=lambda t: "z" + t["case"].astype(str))])
    both = both.assign(patient=[f"q{i:04d}x" for i in range(len(both))])
    first, second = both.iloc[:400], both.iloc[400:]
    whole = retreat.fit(both, "core", method="bayes").parameters.coefficients
    before = retreat.fit(first, "core", method="bayes")
    after = update_bayes(before, of_parent(before, second), discount=1.0, seed=1).parameters.coefficients
    # a normal stands for the first posterior, and both are 2,000 draws of at least 1,000 effective ones
    away = (after.mean(axis=0) - whole.mean(axis=0)) / whole.std(axis=0)
    assert np.abs(away).max() < 0.35
    assert np.abs(after.std(axis=0) / whole.std(axis=0) - 1).max() < 0.15
    moved = (after.mean(axis=0) - before.parameters.coefficients.mean(axis=0)) / whole.std(axis=0)
    assert np.abs(moved).max() > 0.5


def of_parent(model: Model, cases: pd.DataFrame):  # type: ignore[no-untyped-def]
    found = design(cases, read_definition("core"))
    return replace(
        found, coding=model.coding, X=model.coding.encode(found.features, n_cases=len(found.sessions))
    )


def test_a_discount_leaves_more_to_the_practice() -> None:
    other = clinic(7, 250, "established")
    own = retreat.fit(other, "core", method="bayes").expected(EYES, horizon=3)[:, 0]
    kept, let_go = (
        update_bayes(parent(), of_parent(parent(), other), discount=d, seed=1).expected(EYES, horizon=3)[:, 0]
        for d in (1.0, 0.05)
    )
    assert np.abs(let_go - own).mean() < 0.6 * np.abs(kept - own).mean()


def test_published_averages_give_way_to_own_cases() -> None:
    cases = clinic(3, 300)
    found = update(start(), cases, folds=2)
    own = retreat.fit(cases, "core", method="bayes").expected(EYES, horizon=3)[:, 0]
    after, before = (m.expected(EYES, horizon=3)[:, 0] for m in (found.model, start()))
    assert np.abs(after - own).mean() < 0.35 * np.abs(before - own).mean()
    card = found.model.card
    assert card.basis[0] == (
        "These numbers start from published averages of other clinics and were updated with 300 eyes treated here."
    )
    assert card.basis[1:3] == start().card.basis[1:]
    assert "updated on 300 cases" in card.basis[3]
    assert [one.model_id for one in card.lineage] == [start().model_id]
    assert card.cautions[-4:] == card.basis


def test_ten_cases_move_published_averages_a_little() -> None:
    found = update(start(), clinic(5, 10), folds=2).model
    before, after = (relieved_by_two(m).std(axis=0) for m in (start(), found))
    assert (after < before).all()
    assert (after > 0.3 * before).all()
    assert found.card.n_cases == 10


def relieved_by_two(model: Model) -> np.ndarray:
    X = model.coding.encode(features(EYES, model.coding.features), n_cases=3)
    chances = pmf(model.parameters, X, np.zeros(3, dtype=np.intp), horizon=2, link="logit")
    return chances[:, :, 0].sum(axis=-1)


def test_a_practice_takes_over_the_draws_with_a_level_of_its_own() -> None:
    table = of_parent(parent(), clinic(2, 300))
    parameters, K = parent().parameters, 2
    sessions, p = parameters.max_session, parameters.coefficients.shape[-1]
    carried = carry_over(parent(), table, sessions, 1.0)
    assert carried.mean[: K * p] == pytest.approx(parameters.coefficients.mean(axis=0).ravel())
    first = parameters.session_effects[:, 0, :, 0].var(axis=0, ddof=1)
    for j in range(K):
        # practices differ by one logit at each end
        assert carried.covariance[K * p + j * sessions][K * p + j * sessions] == pytest.approx(
            first[j] + 1.0, rel=1e-3
        )
    assert carried.covariance[0, 0] == pytest.approx(parameters.coefficients[:, 0, 0].var(ddof=1), rel=1e-3)


def test_a_discount_takes_from_the_cases_and_not_from_the_prior() -> None:
    table = of_parent(parent(), clinic(2, 300))
    p = parent().parameters.coefficients.shape[-1]
    prior = np.array([1.0, 1.0, 1.0, 0.7, 1.0, 0.5, 1.0])  # of relieved, as core.toml says
    spread = {d: np.sqrt(np.diag(carry_over(parent(), table, 4, d).covariance)[:p]) for d in (1.0, 0.5, 1e-6)}
    assert (spread[1.0] < spread[0.5]).all()
    assert (spread[0.5] < spread[1e-6]).all()
    # 20,000 draws of the prior: standard deviations within 3%
    assert spread[1e-6] == pytest.approx(prior, rel=0.03)


def test_sessions_the_model_never_saw_step_on_from_its_last() -> None:
    short = clinic(1, 400)
    short = short[short["sessions"].astype(int) <= 2]
    model = retreat.fit(short, "core", method="bayes")
    carried = carry_over(model, of_parent(model, clinic(2, 300)), 6, 1.0)
    first = 2 * model.parameters.coefficients.shape[-1]
    spread = np.diag(carried.covariance)[first : first + 6]
    assert np.diff(spread[model.parameters.max_session - 1 :]) == pytest.approx(np.full(4, 0.5**2), rel=0.3)


def test_sessions_the_practice_never_reached_stay_as_unsure_as_the_model_is() -> None:
    short = clinic(4, 40)
    short = short[short["sessions"].astype(int) <= 2].head(20)
    found = update(start(), short, folds=2).model
    assert found.parameters.max_session == start().parameters.max_session
    for k in (2, 4, 7):
        before, after = (
            (m.parameters.session_effects[:, 0, :, k] - m.parameters.session_effects[:, 0, :, 1]).std(axis=0)
            for m in (start(), found)
        )
        assert after == pytest.approx(before, rel=0.25)


def test_a_model_of_one_operator_leaves_the_level_to_the_practice() -> None:
    alone = retreat.fit(clinic(1, 400).assign(operator="op_a"), "core", method="bayes")
    other = clinic(9, 100, "established")
    own = retreat.fit(other, "core", method="bayes").expected(EYES, horizon=3)[:, 0]
    found = update_bayes(alone, of_parent(alone, other), discount=None, seed=1).expected(EYES, horizon=3)[
        :, 0
    ]
    # 0.37 before a practice's level was free; the rest is what 100 cases leave to the model
    assert np.abs(found - own).mean() < 0.1


def test_the_patient_factor_and_operators_of_the_model_are_carried_over() -> None:
    model = retreat.fit(clinic(1, 400, "known_clustered"), "core", method="bayes")
    assert model.parameters.patient_loading.any()
    one = clinic(6, 80).assign(operator="op_a", patient=[f"q{i:04d}x" for i in range(80)])
    found = update_bayes(model, of_parent(model, one), discount=None, seed=1).parameters
    assert found.patient_loading.any()
    assert found.operator_effect.std() == pytest.approx(model.parameters.operator_effect.std(), rel=0.1)


def test_a_handful_of_cases_leave_no_trace_in_mix_and_support() -> None:
    found = update(start(), clinic(5, 10), folds=2).model
    assert (found.case_mix, found.support) == (start().case_mix, start().support)


def test_a_second_update_counts_the_first_cases_too() -> None:
    once = update(start(), clinic(5, 30), folds=2).model
    twice = update(once, clinic(6, 40), folds=2, other_practice=True).model
    n = once.card.n_cases + twice.card.n_cases
    assert f"updated with {n} eyes treated here" in twice.card.basis[0]
    assert twice.card.method == "Bayesian hazard, updated"


def test_the_discount_has_a_range() -> None:
    with pytest.raises(FitError, match="above 0, at most 1"):
        update(parent(), clinic(2, 300), discount=0.0)


def test_a_step_of_the_ladder_is_no_step_of_a_posterior() -> None:
    with pytest.raises(FitError, match="whole posterior is updated at once"):
        update(parent(), clinic(2, 300), step="intercepts")


def test_cases_that_may_have_been_seen_do_not_count_twice() -> None:
    once = update(start(), clinic(5, 30), folds=2).model
    with pytest.raises(FitError, match=r"cannot be excluded.*since=.*other_practice"):
        update(once, clinic(6, 40), folds=2)
