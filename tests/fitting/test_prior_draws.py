"""Draws from priors: moments by hand, and the same prior as the sampler's model."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from clinics import clinic

from retreat.definitions import Definition, Groups, read_definition
from retreat.definitions.entries import Share, Spread
from retreat.errors import FitError
from retreat.fitting.design import design
from retreat.fitting.prior_draws import prior_draws, stated_coding

CORE = read_definition("core")
N = 40_000


def stepping(effect: str) -> Definition:
    return replace(CORE, sessions=CORE.sessions.model_copy(update={"effect": effect}))


def test_coefficients_and_first_session_have_the_means_and_spreads_of_the_definition() -> None:
    coding = stated_coding(CORE)
    mean, sd = CORE.coefficient_priors(coding)
    drawn = prior_draws(CORE, coding, draws=N, sessions=3, seed=1)

    np.testing.assert_allclose(drawn.coefficients.mean(axis=0), mean, atol=5 / np.sqrt(N))
    np.testing.assert_allclose(drawn.coefficients.std(axis=0) / sd, 1.0, atol=5 / np.sqrt(2 * N))
    first = drawn.session_effects[:, 0, :, 0]
    np.testing.assert_allclose(first.mean(axis=0), [0.0, -3.0], atol=5 * 1.5 / np.sqrt(N))
    np.testing.assert_allclose(first.std(axis=0), 1.5, rtol=5 / np.sqrt(2 * N))


@pytest.mark.parametrize(
    ("effect", "variance"),
    [
        # a step of spread s z|n| has variance s^2: sessions 2 and 3 are one and two steps away
        ("smooth", [2.25, 2.25 + 0.25, 2.25 + 0.5]),
        ("linear", [2.25, 2.25 + 0.25, 2.25 + 4 * 0.25]),
        ("free", [2.25, 2.25, 2.25]),
    ],
)
def test_later_sessions_spread_as_their_kind_of_effect_says(effect: str, variance: list[float]) -> None:
    drawn = prior_draws(stepping(effect), stated_coding(CORE), draws=N, sessions=3, seed=2)

    np.testing.assert_allclose(drawn.session_effects[:, 0].var(axis=0), [variance] * 2, rtol=0.04)


def test_steps_of_one_draw_share_a_half_normal_spread() -> None:
    effects = prior_draws(CORE, stated_coding(CORE), draws=N, sessions=3, seed=3).session_effects[:, 0, 0]
    steps = np.diff(effects, axis=-1) / 0.5

    # fourth moment of z|n|: 3 x 3; squares of two steps of one draw: E n^4 = 3, less 1
    assert (steps**4).mean() == pytest.approx(9.0, rel=0.15)
    assert np.cov((steps**2).T)[0, 1] == pytest.approx(2.0, rel=0.15)


def test_operators_patients_and_those_who_never_respond_have_their_priors() -> None:
    groups = Groups(
        operator=Spread(sd=0.5, why="half-normal scale"),
        patient={"sd": 0.4, "why": "scale of loadings"},
        never=Share(mean=0.1, patients=20, why="a tenth never respond"),
    )
    drawn = prior_draws(replace(CORE, groups=groups), stated_coding(CORE), draws=N, sessions=1, seed=4)

    assert drawn.operator_effect.std() == pytest.approx(0.5, rel=0.02)
    assert (drawn.patient_loading[:, 0] >= 0).all()
    np.testing.assert_allclose((drawn.patient_loading**2).mean(axis=0), 0.16, rtol=0.03)
    assert abs(drawn.patient_loading[:, 1].mean()) < 5 * 0.4 / np.sqrt(N)
    assert drawn.never.mean() == pytest.approx(0.1, abs=0.002)
    assert drawn.never.var() == pytest.approx(0.1 * 0.9 / 21, rel=0.05)


def test_groups_that_a_definition_lacks_do_not_enter() -> None:
    drawn = prior_draws(replace(CORE, groups=Groups()), stated_coding(CORE), draws=5, sessions=1, seed=4)

    assert not drawn.operator_effect.any()
    assert not drawn.patient_loading.any()
    assert not drawn.never.any()


def test_the_same_seed_gives_the_same_draws_and_a_scale_widens_them() -> None:
    coding = stated_coding(CORE)
    one, two = (prior_draws(CORE, coding, draws=9, sessions=2, seed=5) for _ in range(2))
    wide = prior_draws(CORE, coding, draws=9, sessions=2, seed=5, prior_scale=3.0)
    mean, _ = CORE.coefficient_priors(coding)

    assert np.array_equal(one.coefficients, two.coefficients)
    np.testing.assert_allclose(wide.coefficients - mean, 3.0 * (one.coefficients - mean))


def test_a_life_table_has_no_priors() -> None:
    lifetable = read_definition("lifetable")

    with pytest.raises(FitError, match="has no priors"):
        prior_draws(lifetable, stated_coding(lifetable), draws=1, sessions=1, seed=1)


def test_the_stated_coding_is_that_of_any_cases_but_for_knots() -> None:
    learned = design(clinic(cases=60), CORE).coding

    assert stated_coding(CORE) == learned
    assert (
        stated_coding(read_definition("full")).names
        == design(clinic(cases=400), read_definition("full")).coding.names
    )


@pytest.mark.slow
def test_the_prior_is_that_of_the_sampler() -> None:
    import pymc as pm
    from scipy.stats import ks_2samp

    from retreat.fitting.bayes_model import build, pooled_of

    table = design(clinic("known_clustered", seed=4, cases=60), CORE)
    n_effects = int(pooled_of(table).max()) + 1
    # the likelihood is the potential: left aside is what is wanted
    with build(table), pytest.warns(UserWarning, match="effect of Potentials"):
        theirs = pm.sample_prior_predictive(
            3000,
            var_names=["coefficients", "session_effects", "operator_effect", "patient_loading"],
            random_seed=6,
            compile_kwargs={"mode": "FAST_COMPILE"},
        )["prior"]
    ours = prior_draws(CORE, table.coding, draws=3000, sessions=n_effects, seed=7)

    pairs = {
        "coefficients": ours.coefficients,
        "session_effects": ours.session_effects[:, 0],
        "patient_loading": ours.patient_loading,
    }
    drawn = {name: theirs[name].to_numpy()[0] for name in pairs}
    # an operator not seen is distributed as any of those seen
    pairs["operator"], drawn["operator"] = (
        ours.operator_effect,
        theirs["operator_effect"].to_numpy()[0][..., 0],
    )
    p = [
        ks_2samp(a, b).pvalue
        for name, mine in pairs.items()
        for a, b in zip(mine.reshape(3000, -1).T, drawn[name].reshape(3000, -1).T, strict=True)
    ]
    # some thirty marginals: none below 1 in 3,000 if all agree, but for one table in a hundred
    assert min(p) > 1 / 3000
    # beyond marginals: two later sessions go together as much
    both = [
        np.corrcoef(x[:, 0, 1], x[:, 0, 2])[0, 1]
        for x in (pairs["session_effects"], drawn["session_effects"])
    ]
    assert both[0] == pytest.approx(both[1], abs=0.03)
