"""Effects from draws: the draws' own summaries, the averages of the forecast kernel, and agreement with estimates."""

import json

import numpy as np
import pytest
from clinics import clinic
from scipy.stats import norm

from retreat.errors import FitError
from retreat.model.kernel import Parameters, pmf
from retreat.study.effects import Comparison, Equivalence, Measure, analysed, draw_effects, estimate_effects
from retreat.study.effects.curves import own_curve
from retreat.study.effects.drawn import (
    Drawn,
    draw,
    drawn_average_table,
    drawn_comparison_table,
    drawn_curve_table,
)
from retreat.study.effects.equivalence import direction_columns
from retreat.study.effects.standardised import standardised_incidence

DOUBLED = Comparison("size_mm", 4.0, 2.0)
ASKED = [Measure("incidence", 0, 2), Measure("incidence", 1, 2), Measure("sessions", 0, 4)]


@pytest.fixture(scope="module")
def drawn():
    return draw(analysed(clinic(cases=300), "core"), seed=2)


def test_direction_and_equivalence_of_normal_draws_are_areas_of_the_normal():
    """400,000 draws of a normal with mean .3 and spread .2; Monte-Carlo errors below .001."""
    draws = np.random.default_rng(1).normal(0.3, 0.2, (400_000, 1))

    found = direction_columns(draws, np.array([0.18]), 0.9)

    assert found["direction"][0] == pytest.approx(norm.cdf(1.5), abs=0.003)
    assert found["equivalent"][0] == pytest.approx(norm.cdf(-0.6) - norm.cdf(-2.4), abs=0.003)
    assert found["low"][0] == pytest.approx(0.3 - 1.6449 * 0.2, abs=0.003)
    assert direction_columns(-draws, np.array([0.18]), 0.9)["side"].tolist() == ["below"]


def test_ratios_are_those_of_the_draws(drawn):
    place = list(drawn.analysed.coding.names).index("log(size_mm/2)")
    coefficients = drawn.posteriors[0].thinned(4000).coefficients[..., place] * np.log(2.0)

    found = drawn_comparison_table(drawn, [DOUBLED], level=0.9, region=Equivalence(log_odds=0.1))

    for j, row in enumerate(found.itertuples()):
        b = coefficients[:, j]
        assert row.ratio == pytest.approx(np.exp(b.mean()), rel=1e-12)
        assert (row.low, row.high) == pytest.approx(tuple(np.exp(np.quantile(b, [0.05, 0.95]))), rel=1e-12)
        assert row.direction == max((b > 0).mean(), (b < 0).mean())
        assert row.equivalent == (np.abs(b) <= 0.1).mean()


def test_averages_are_those_of_the_forecast_kernel_with_each_case_at_its_operator(drawn):
    """Kernel with operators as columns; 15 nodes of the patient factor against its 25."""
    posterior = drawn.posteriors[0].thinned(20)
    design = posterior.design
    own = (design.operator[:, None] == np.arange(posterior.operator_effect.shape[2])).astype(float)
    parameters = Parameters(
        np.concatenate([posterior.coefficients, posterior.operator_effect], axis=2),
        posterior.session_effects[:, None],
        np.zeros((20, 2)),
        posterior.patient_loading,
    )
    nobody = np.zeros(len(design.X), dtype=np.intp)
    theirs = pmf(parameters, np.concatenate([design.X, own], axis=1), nobody, horizon=7, link="logit")

    ours = standardised_incidence(
        posterior, design.X, np.full((20, len(design.X)), 1 / len(design.X)), horizon=7
    )

    assert own.shape[1] > 1
    assert np.abs(posterior.patient_loading).max() > 0.1
    np.testing.assert_allclose(ours, theirs.mean(axis=1).cumsum(axis=-1), rtol=0, atol=1e-7)


def test_average_effects_are_differences_of_averages(drawn):
    found = drawn_average_table(drawn, [DOUBLED], ASKED, level=0.9, region=Equivalence())

    np.testing.assert_allclose(found.difference, found.average_value - found.average_against, atol=1e-12)
    assert (found.low < found.difference).all()
    assert (found.difference < found.high).all()
    assert found.region.tolist() == [0.02, 0.02, 0.1]


def test_with_little_prior_draws_and_estimates_agree(drawn):
    """Posterior against the mode under the same priors: within half a standard error, spreads within a third."""
    cases = clinic(cases=300)
    asked = [DOUBLED, Comparison("depth", 0.7, 0.4), Comparison("corneal_surgery", "yes", "no")]
    mode = estimate_effects(cases, "core", comparisons=asked, measures=ASKED, penalty="prior", curves=[])
    ratios = drawn_comparison_table(drawn, asked, level=0.95, region=Equivalence())
    averages = drawn_average_table(drawn, asked, ASKED, level=0.95, region=Equivalence())

    for ours, theirs, value in ((ratios, mode.ratios, "estimate"), (averages, mode.averages, "difference")):
        away = np.abs(ours[value] - theirs[value]) / theirs.standard_error
        assert away.max() < 0.5
        assert (np.abs(np.log(ours.standard_error / theirs.standard_error)) < np.log(1.35)).all()


def test_a_sampled_case_mix_weighs_patients_anew(drawn):
    fixed, sampled, again = (
        drawn_average_table(
            drawn,
            [Comparison("opacity", "sheet", "ring")],
            ASKED,
            level=0.9,
            region=Equivalence(),
            case_mix=mix,
        )
        for mix in ("fixed", "sampled", "sampled")
    )

    assert sampled.equals(again)
    assert not np.allclose(fixed.difference, sampled.difference, rtol=0, atol=1e-9)
    np.testing.assert_allclose(fixed.difference, sampled.difference, atol=0.05)


def test_completed_tables_count_alike(drawn):
    """Two posteriors 1 apart mix to a spread that holds both."""
    from dataclasses import replace

    one = drawn.posteriors[0]
    other = replace(one, coefficients=one.coefficients + 1.0)
    both = Drawn(drawn.analysed, (one, other))
    rows = np.eye(len(drawn.analysed.coding.names))[[3]]

    mixed, alone = both.linear(rows)[:, 0, 0], drawn.linear(rows)[:, 0, 0]

    assert mixed.mean() == pytest.approx(alone.mean() + 0.5, abs=0.02)
    assert mixed.var() == pytest.approx(alone.var() + 0.25, rel=0.05)


def test_curves_are_ratios_at_each_point(drawn):
    curve = own_curve(drawn.analysed, "size_mm", against=2.0, at=[1.0, 4.0])

    found = drawn_curve_table(drawn, [curve], level=0.9)

    alone = drawn_comparison_table(drawn, [DOUBLED], level=0.9, region=Equivalence())
    np.testing.assert_allclose(found[found["at"] == 4.0].ratio, alone.ratio, rtol=1e-12)


def test_everything_at_once_is_plain_json_with_its_cautions_and_region():
    found = draw_effects(
        clinic(cases=200),
        "core",
        comparisons=[DOUBLED],
        curves=[],
        region=Equivalence(log_odds=0.3),
        level=0.9,
        seed=3,
    )

    told = json.loads(json.dumps(found.to_json(), allow_nan=False))

    assert told["region"] == {"log_odds": 0.3, "probability": 0.02, "sessions": 0.1}
    assert "invented" in told["cautions"][0]
    assert {row["region"] for row in told["tables"]["ratios"]} == {0.3}
    assert {name: len(few) for name, few in found.fewest.items()} == {
        name: len(frame) for name, frame in found.to_frames().items()
    }
    assert "fewest" not in told
    assert found.shared(threshold=1).ratios.equals(found.ratios)
    assert 0.5 <= told["tables"]["ratios"][0]["direction"] <= 1.0


@pytest.mark.parametrize("width", [0.0, -1.0, np.nan, "wide"])
def test_a_region_is_above_none(width):
    with pytest.raises(FitError, match="log_odds"):
        Equivalence(log_odds=width)


def test_hazards_are_refused_for_draws(drawn):
    with pytest.raises(FitError, match="incidence or sessions"):
        drawn_average_table(drawn, [DOUBLED], [Measure("hazard", 0)], level=0.9, region=Equivalence())
