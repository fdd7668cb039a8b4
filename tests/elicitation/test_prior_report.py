"""The report on priors: what they imply by an independent sum, beside a posterior, a model, and what is refused."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from answered import CODING, CORE, widened
from clinics import clinic
from toy_posterior import toy_posterior

import retreat
from retreat.definitions import Definition, Groups, read_definition, shipped
from retreat.definitions.entries import Spread
from retreat.elicitation import prior_report
from retreat.elicitation.before_and_after import looked_at
from retreat.elicitation.eyes import SHOWN, coded
from retreat.elicitation.implied import implied
from retreat.elicitation.prior_lines import prior_lines
from retreat.elicitation.reporting import report_of
from retreat.errors import FitError
from retreat.fitting.design import design
from retreat.hazard import cumulative_incidence, hazards, in_treatment
from retreat.model.kernel import Parameters

# a first session that the prior is sure of, and wrong
SURE = replace(
    CORE,
    sessions=CORE.sessions.model_copy(
        update={
            "first": tuple(
                p.model_copy(update={"mean": -2.5, "sd": 0.3}) if p.end == "relieved" else p
                for p in CORE.sessions.first
            )
        }
    ),
)


def against(definition: Definition, **changes: Any) -> Any:
    table = design(clinic("known", cases=150), definition)
    return report_of(definition, table, toy_posterior(table, **changes), seed=1, draws=1500)


def test_what_priors_imply_is_the_average_over_their_draws() -> None:
    plain = replace(CORE, groups=Groups(), sessions=CORE.sessions.model_copy(update={"effect": "free"}))
    told = prior_report(plain, seed=1, draws=4000).prior
    rng = np.random.default_rng(2)
    mean, sd = CORE.coefficient_priors(CODING)
    draws = 4000
    coefficients = mean + sd * rng.standard_normal((draws, *mean.shape))
    first = np.array([0.0, -3.0])[:, None] + 1.5 * rng.standard_normal((draws, 2, 8))
    X = coded(SHOWN, CORE, CODING)
    hazard = hazards(np.einsum("np,dkp->dnk", X, coefficients)[..., None] + first[:, None])
    incidence = cumulative_incidence(hazard)
    expected = np.stack(
        [
            *(incidence[:, :, 0, k] for k in range(3)),
            incidence[:, :, 1, 2],
            1 + in_treatment(hazard)[..., :-1].sum(axis=-1),
        ],
        axis=-1,
    )

    assert told.quantities == ("relieved_1", "relieved_2", "relieved_3", "stopped_3", "sessions")
    error = 4 * np.sqrt(2) * expected.std(axis=0) / np.sqrt(draws)
    assert (np.abs(told.mean() - expected.mean(axis=0)) < error).all()
    np.testing.assert_allclose(
        told.range(0.9)[0][:, :4], np.quantile(expected, 0.05, axis=0)[:, :4], atol=0.03
    )


def test_sessions_of_one_draw_are_counted_to_the_eighth() -> None:
    # 1 of 5 relieved and none stopped at every session: 0.8^k go on after k
    flat = Parameters(
        coefficients=np.zeros((1, 2, 7)),
        session_effects=np.array([[[[np.log(0.25)], [-800.0]]]]),
        operator_effect=np.zeros((1, 2)),
        patient_loading=np.zeros((1, 2)),
    )

    told = implied(SHOWN[:1], CORE, CODING, flat).values[0, 0]

    expected = [0.2, 1 - 0.8**2, 1 - 0.8**3, 0.0, sum(0.8**k for k in range(8))]
    np.testing.assert_allclose(told, expected, atol=1e-12)


def test_operators_of_the_cases_are_taken_together_before_as_after() -> None:
    # all but operators are sure: a mean of four, each of a spread that is half-normal of scale 1
    sure = widened(CORE, 1e-6)
    groups = Groups(operator=Spread(sd=1.0, why="wide for the test"))
    step = Spread(sd=1e-6, why="flat for the test")
    sure = replace(sure, groups=groups, sessions=sure.sessions.model_copy(update={"step": step}))
    table = design(clinic("known", cases=150), sure)
    first = looked_at(sure, toy_posterior(table, draws=100), seed=1, draws=20_000)["eyes"].prior[:, 0, 0]

    assert table.n_operators == 4
    # log odds by session 1 of relieved against all else, both ends free: their spread times the slope at a third
    effects = 0.5 * np.abs(np.random.default_rng(2).standard_normal((20_000, 2)))
    effects = effects * np.random.default_rng(3).standard_normal((20_000, 2))
    odds = np.exp(effects)
    expected = np.log(odds[:, 0] / (1 + odds[:, 1]))
    assert first.std() == pytest.approx(expected.std(), rel=0.05)


def test_a_prior_is_worth_the_eyes_whose_information_it_holds() -> None:
    # only the log odds of a first session, of spread 0.5 around 0: 1 / (0.25 x 0.25) = 16 eyes
    one = replace(widened(read_definition("second_session"), 0.5), terms=(), entries=(), groups=Groups())

    found = prior_report(one, seed=1, draws=20_000)

    np.testing.assert_allclose(found.effective, 16.0, rtol=0.05)


def test_priors_in_odds_terms_by_hand() -> None:
    lines = {(line.subject, line.comparison, line.end): line for line in prior_lines(CORE)}
    cloud = lines["opacity", "cloud against ring", "relieved"]
    size = lines["size", "twice as much", "relieved"]

    assert cloud.middle == pytest.approx(np.exp(-1.0))
    assert (cloud.low, cloud.high) == pytest.approx((np.exp(-2.959964), np.exp(0.959964)))
    # odds by the power of the size: twice the size is 2^-0.5
    assert (size.middle, size.high) == pytest.approx((2**-0.5, 2 ** (-0.5 + 1.959964 * 0.7)))
    assert cloud.why.startswith("Published means of 1.14 sessions")


def test_the_spread_of_operators_in_odds_terms_holds_95_of_100_pairs() -> None:
    (line,) = [line for line in prior_lines(CORE) if line.subject == "operators"]
    rng = np.random.default_rng(1)
    spread = 0.5 * np.abs(rng.standard_normal(200_000))
    apart = spread * (rng.standard_normal(200_000) - rng.standard_normal(200_000))

    assert np.mean((np.exp(apart) > line.low) & (np.exp(apart) < line.high)) == pytest.approx(0.95, abs=0.003)


@pytest.mark.parametrize("name", [n for n in shipped() if not read_definition(n).strata])
def test_every_prior_of_a_shipped_definition_has_words_a_number_and_its_reason(name: str) -> None:
    definition = read_definition(name)
    lines = prior_lines(definition)
    written = len(definition.sessions.first) + sum(len(entry.prior) for entry in definition.entries)

    assert len(lines) >= written
    for line in lines:
        assert line.comparison
        assert line.why
        assert 0 < line.low < line.middle < line.high


def test_cases_that_agree_with_the_priors_raise_no_warning() -> None:
    found = against(CORE)

    assert found.conflicts == ()
    assert found.posterior is not None
    assert found.learned_from.startswith("150 cases of ")
    assert found.cautions


def test_a_wrong_and_sure_prior_is_named_with_the_eyes_it_misleads() -> None:
    found = against(SURE)

    told = {(one.what, one.quantity) for one in found.conflicts}
    assert ("first session", "relieved") in told
    assert (SHOWN[0].name, "relieved_1") in told
    assert not any("opacity" in what for what, _ in told)


def test_a_posterior_that_failed_its_checks_is_not_told() -> None:
    found = against(CORE, failures=("R-hat 1.20 (at most 1.01)",))

    assert (found.posterior, found.sensitivities) == (None, ())
    assert found.failures == ("R-hat 1.20 (at most 1.01)",)


def test_a_fitted_model_stands_beside_its_own_definition_only() -> None:
    model = retreat.fit(clinic("known", cases=150), "core", draws=200)

    found = prior_report("core", model=model, seed=1, draws=300)

    assert found.posterior is not None
    f = model.forecast({**{k: [v] for k, v in SHOWN[0].columns.items()}}, horizon=3)
    np.testing.assert_allclose(found.posterior.values[:, 0, :3], f.incidence[:, 0, 0], atol=1e-12)
    with pytest.raises(FitError, match="fitted to another definition"):
        prior_report("second_session", model=model, seed=1)
    with pytest.raises(FitError, match="one of the two"):
        prior_report("core", model=model, cases=clinic(), seed=1)


def test_a_life_table_has_no_priors_to_report() -> None:
    with pytest.raises(FitError, match="has no priors"):
        prior_report("lifetable", seed=1)


def test_every_number_is_there_for_a_program() -> None:
    told = json.loads(json.dumps(against(SURE).to_json(), allow_nan=False))

    assert told["prior"][0]["relieved_1"]["low"] < told["prior"][0]["relieved_1"]["mean"]
    assert {one["diagnosis"] for one in told["sensitivity"]} >= {"prior and cases pull apart"}
    assert len(told["priors"]) == len(prior_lines(CORE))


@pytest.mark.slow
def test_a_real_posterior_is_set_beside_its_prior() -> None:
    found = prior_report(SURE, cases=clinic("known", cases=150), seed=1, draws=1500)

    assert found.failures == ()
    assert any(one.what == SHOWN[0].name for one in found.conflicts)
    assert any(one.what == "spread of operators" for one in found.sensitivities)
