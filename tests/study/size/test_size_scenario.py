"""Scenarios: who comes, what holds, and what is refused."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from retreat.definitions import read_definition
from retreat.errors import DefinitionError, FitError
from retreat.model import load
from retreat.model.kernel import pmf
from retreat.study.size import Effect, of_definition, of_model, size_by_end
from retreat.study.size.courses import draw_study
from retreat.study.size.given import read_mix
from retreat.study.size.mix import patients, sampled, with_given

SAVED = Path(__file__).parents[2] / "saved" / "core-0.1.0.retreat"


@given(n=st.integers(1, 500), ratio=st.floats(1.0, 2.0))
def test_patients_have_one_or_two_eyes_and_the_ratio_asked_for(n, ratio):
    patient = patients(n, ratio)
    each = np.bincount(patient)
    assert len(patient) == n
    assert set(each) <= {1, 2}
    assert len(each) == pytest.approx(n / ratio, abs=1.0)
    assert (np.diff(patient) >= 0).all()


def test_sampled_eyes_have_the_shares_and_quantiles_of_the_mix():
    scenario = of_definition("core")
    eyes = sampled(scenario.mix, scenario.coding.features, np.arange(20_000), np.random.default_rng(3))
    for level, share in scenario.mix.levels["opacity"].items():
        assert (eyes["opacity"] == level).mean() == pytest.approx(share, abs=4 * (share / 20_000) ** 0.5)
    rings = eyes["size_mm"][eyes["opacity"] == "ring"]
    assert np.median(rings) == pytest.approx(
        np.median(scenario.mix.within["ring"].quantiles["size_mm"]), abs=0.03
    )
    # a ring is no larger than rings are, whatever clouds are
    assert rings.max() <= max(scenario.mix.within["ring"].quantiles["size_mm"])


def test_both_eyes_of_a_patient_share_the_corneal_history_and_not_the_size():
    scenario = of_definition("core", mix={"corneal_surgery": {"no": 0.5, "yes": 0.5}})
    eyes = sampled(scenario.mix, scenario.coding.features, patients(400, 2.0), np.random.default_rng(3))
    assert (eyes["corneal_surgery"][::2] == eyes["corneal_surgery"][1::2]).all()
    assert (eyes["size_mm"][::2] != eyes["size_mm"][1::2]).mean() > 0.9
    assert 0.4 < (eyes["corneal_surgery"] == "yes").mean() < 0.6


def test_a_feature_that_is_told_has_one_distribution_for_every_kind():
    mix = with_given(of_definition("core").mix, {"size_mm": (1.0, 2.0, 3.0)})
    eyes = sampled(mix, ("opacity", "size_mm"), np.arange(4000), np.random.default_rng(1))
    for kind in ("ring", "cloud"):
        assert np.median(eyes["size_mm"][eyes["opacity"] == kind]) == pytest.approx(2.0, abs=0.1)


@pytest.mark.parametrize("definition", ["core", "mover_stayer"])
def test_drawn_courses_end_as_the_truth_says(definition):
    # nobody lost: shares ended by session 2 against the mean of the kernel's chances, which integrates patients out
    scenario = of_definition(definition, effects="mean", lost=0.0, eyes_per_patient=1.0)
    truth = scenario.truth_of(0)
    drawn = draw_study(scenario, 20_000, truth, np.random.default_rng(5))
    chances = pmf(truth, drawn.X, np.zeros(20_000, dtype=np.intp), horizon=2, link="logit")[0].sum(axis=-1)
    for j in range(2):
        seen = ((drawn.ending == j + 1) & (drawn.sessions <= 2)).mean()
        expected = chances[:, j].mean()
        assert seen == pytest.approx(expected, abs=4 * (expected / 20_000) ** 0.5)


def test_eyes_of_a_patient_are_alike_in_their_courses():
    scenario = of_definition("core", effects="mean", eyes_per_patient=2.0, lost=0.0)
    truth = scenario.truth_of(0)
    truth.patient_loading[0, 0] = 2.0  # strong, to be seen in few patients
    drawn = draw_study(scenario, 6000, truth, np.random.default_rng(5))
    early = (drawn.ending == 1) & (drawn.sessions == 1)
    assert np.corrcoef(early[::2], early[1::2])[0, 1] > 0.15


def test_lost_eyes_are_ongoing_before_the_last_session():
    scenario = of_definition("core", effects="mean", lost=0.5)
    drawn = draw_study(scenario, 2000, scenario.truth_of(0), np.random.default_rng(1))
    assert ((drawn.ending == 0) & (drawn.sessions == 1)).mean() > 0.2
    assert drawn.sessions.max() <= scenario.most_sessions


def test_criteria_by_end_foresee_the_ends_that_are_drawn():
    scenario = of_definition("core", effects="mean", lost=0.1)
    foreseen = size_by_end(scenario)
    drawn = draw_study(scenario, 20_000, scenario.truth_of(0), np.random.default_rng(2))
    for j, one in enumerate(foreseen):
        for session in (1, 2, 3):
            seen = 100 * ((drawn.ending == j + 1) & (drawn.sessions == session)).mean()
            assert seen == pytest.approx(one.ends[session - 1], abs=1.2)
        reached = 100 * (drawn.sessions >= 3).mean()
        assert reached == pytest.approx(one.in_treatment[2], abs=1.5)


def test_criteria_by_end_take_the_r_squared_that_a_large_study_shows():
    # likelihood ratio of a large study, of each end against the rest, per eye; an independent route to R squared
    import statsmodels.api as sm

    from retreat.counts import person_sessions

    scenario = of_definition("core", effects="mean", eyes_per_patient=1.0)
    n = 6000
    drawn = draw_study(scenario, n, scenario.truth_of(0), np.random.default_rng(2))
    case, session, how = person_sessions(drawn.sessions, drawn.ending)
    baseline = (session[:, None] == np.arange(1, 7)).astype(float)
    full = np.column_stack([baseline, drawn.X[case]])
    relieved = (how == 1).astype(float)
    gain = (
        sm.GLM(relieved, full, sm.families.Binomial()).fit().llf
        - sm.GLM(relieved, baseline, sm.families.Binomial()).fit().llf
    )
    shown = 1 - np.exp(-2 * gain / n)
    # three standard errors of the ratio are about 0.03 here
    assert size_by_end(scenario)[0].r_squared_eye == pytest.approx(shown, abs=0.03)


def test_a_saved_model_is_met_with_its_case_mix_and_cautions():
    model = load(SAVED)
    scenario = of_model(model)
    assert scenario.definition.name == "core"
    assert scenario.truth.n_draws == 1
    np.testing.assert_allclose(
        scenario.truth.coefficients[0], model.parameters.coefficients.mean(axis=0), rtol=1e-12
    )
    assert scenario.cautions == model.card.cautions
    assert of_model(model, effects="drawn").truth.n_draws == model.parameters.n_draws


def test_an_effect_holds_in_every_truth():
    scenario = of_definition("core", effect=Effect("corneal_surgery=yes", "relieved", 0.5))
    end, column = scenario.place
    np.testing.assert_allclose(scenario.truth.coefficients[:, end, column], np.log(0.5))
    assert scenario.truth.coefficients[:, 1, column].std() > 0.1


@pytest.mark.parametrize(
    ("told", "where"),
    [
        ({"eyes_per_patient": 2.5}, "eyes_per_patient"),
        ({"lost": 1.0}, "lost"),
        ({"most_sessions": 0}, "most_sessions"),
        ({"seed": -1}, "seed"),
        ({"effects": "all"}, "effects"),
        ({"effect": Effect("cornea", "relieved", 0.5)}, "effect"),
        ({"effect": Effect("corneal_surgery=yes", "cured", 0.5)}, "effect, end"),
        ({"effect": Effect("corneal_surgery=yes", "relieved", -1.0)}, "odds_ratio"),
        ({"mix": {"colour": {"blue": 1.0}}}, "mix, colour"),
        ({"mix": {"opacity": {"ring": 0.5}}}, "mix, opacity"),
        ({"mix": {"opacity": {"ring": 0.5, "blob": 0.5}}}, "mix, opacity"),
        ({"mix": {"opacity": {"ring": 1.5, "cloud": -0.5}}}, "mix, opacity"),
        ({"mix": {"size_mm": (3.0, 2.0, 1.0)}}, "mix, size_mm"),
        ({"mix": {"size_mm": (1.0, 2.0)}}, "mix, size_mm"),
        ({"mix": {"size_mm": (1.0, 2.0, 99.0)}}, "mix, size_mm"),
        ({"typical": {"age": 60.0}}, "typical"),
        ({"typical": {"size_mm": "large"}}, "typical, size_mm"),
        ({"typical": {"opacity": 3.0}}, "typical, opacity"),
    ],
)
def test_a_scenario_that_cannot_be_is_refused_by_name(told, where):
    with pytest.raises(FitError) as error:
        of_definition("core", **told)
    assert any(fault.where == where for fault in error.value.faults)


def test_a_feature_without_a_distribution_is_asked_for():
    with pytest.raises(FitError, match=r"mix, lens: its distribution is not known"):
        of_definition("full")


@pytest.mark.parametrize("name", ["lifetable", "progress"])
def test_definitions_without_priors_of_features_alone_are_refused(name):
    with pytest.raises(FitError, match="regression on case features"):
        of_definition(name)


def test_a_model_of_other_columns_is_refused():
    with pytest.raises(FitError, match="other ends or columns"):
        of_model(load(SAVED), read_definition("second_session"))


@pytest.mark.parametrize("content", [b"size_mm = [1, 2", b"\xff\xfe"])
def test_a_mix_file_that_cannot_be_read_is_refused(tmp_path, content):
    path = tmp_path / "mix.toml"
    path.write_bytes(content)
    with pytest.raises(DefinitionError, match=r"mix\.toml"):
        read_mix(path)
    with pytest.raises(DefinitionError, match="cannot be read"):
        read_mix(tmp_path / "none.toml")
