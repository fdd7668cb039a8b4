"""The whole of it: gaps filled and joined, one coding, words that go with the numbers, plain JSON."""

import json
from dataclasses import FrozenInstanceError
from pathlib import Path

import numpy as np
import pytest
from clinics import clinic

from retreat.definitions import read_definition
from retreat.errors import DefinitionError, FitError
from retreat.fitting.design import read_data
from retreat.fitting.logistic_model import fit_logistic
from retreat.study.effects import Comparison, Measure, analysed, estimate_effects, pool
from retreat.validation.imputation import imputed

CORE = read_definition("core")
ASKED = [Comparison("size_mm", 4.0, 2.0), Comparison("corneal_surgery", "yes", "no")]
FEW = {"comparisons": ASKED, "curves": [], "measures": [Measure("incidence", 0, 2)]}


def with_gaps(cases, *, size=0.3, opacity=0.05):
    rng = np.random.default_rng(4)
    cases.loc[rng.random(len(cases)) < size, "size_mm"] = "not_recorded"
    cases.loc[rng.random(len(cases)) < opacity, "opacity"] = "unknown"
    return cases


@pytest.fixture(scope="module")
def gaps():
    return with_gaps(clinic(cases=500))


def test_ratios_of_filled_tables_are_those_of_each_table_joined(gaps):
    """Tables filled, fitted one by one, joined by the rules written out; the model has no knots to share."""
    found = estimate_effects(gaps, "core", **FEW, imputations=4, seed=7).ratios
    fits = [fit_logistic(t.design(), penalty=0) for t in imputed(read_data(gaps, CORE), 4, 7)]
    place = list(fits[0].design.coding.names).index("log(size_mm/2)")

    for j in (0, 1):
        values = np.array([fit.coefficients[j, place] for fit in fits]) * np.log(2.0)
        spread = np.array([fit.standard_errors[j, place] ** 2 for fit in fits]) * np.log(2.0) ** 2
        total = spread.mean() + 1.25 * values.var(ddof=1)
        row = found[(found.feature == "size_mm") & (found.end == CORE.ends[j])].iloc[0]
        assert row.estimate == pytest.approx(values.mean(), rel=1e-9)
        assert row.standard_error == pytest.approx(np.sqrt(total), rel=1e-9)
        assert row.df == pytest.approx(float(pool(values, spread, complete_df=370.0).df), rel=0.1)
        assert row.missing > 0.02


def test_filled_gaps_cost_less_than_cases_left_out_and_more_than_nothing(gaps):
    whole, filled, left = (
        estimate_effects(cases, "core", **FEW, imputations=n).ratios.set_index(["end", "feature"])
        for cases, n in ((clinic(cases=500), None), (gaps, 8), (gaps, 0))
    )

    for end in CORE.ends:
        # size has the gaps; surgery is known in cases that complete cases would drop
        size, surgery = ((end, name) for name in ("size_mm", "corneal_surgery"))
        assert whole.standard_error[size] < filled.standard_error[size]
        assert whole.standard_error[surgery] < 1.1 * filled.standard_error[surgery]
        assert filled.standard_error[surgery] < left.standard_error[surgery]
        assert abs(filled.estimate[size] - whole.estimate[size]) < 2 * whole.standard_error[size]
    assert (whole.missing == 0).all()
    assert np.isinf(whole.df).all()
    assert (filled.df < 500).all()


def test_all_tables_share_the_knots_of_what_was_seen(gaps, tmp_path):
    source = (Path(__file__).parents[3] / "models" / "core.toml").read_text(encoding="utf-8")
    bent = source.replace('form = "log"\ncentre = 2.0', 'form = "spline"\nknots = 3\ncentre = 2.0')
    assert bent != source
    (tmp_path / "bent.toml").write_text(bent, encoding="utf-8")

    cases = analysed(gaps, tmp_path / "bent.toml", imputations=3)

    assert len({design.coding for design in cases.designs}) == 1
    known = read_data(gaps, CORE).features["size_mm"]
    knots = np.quantile(known[~np.isnan(known)] - 2.0, [0.1, 0.5, 0.9])
    np.testing.assert_allclose(cases.coding.knots[1], knots, rtol=1e-12)
    assert any(not np.array_equal(d.X, cases.first.X) for d in cases.designs[1:])


def test_everything_is_plain_json_with_its_cautions(gaps):
    found = estimate_effects(gaps, "core", imputations=3)

    told = json.loads(json.dumps(found.to_json(), allow_nan=False))

    assert "invented" in told["cautions"][0]
    assert "not proof" in told["cautions"][-1]
    assert set(told["tables"]) == {"columns", "ratios", "joint", "curves", "averages", "confounding"}
    assert told["imputations"] == 3
    assert any("size_mm in 1" in note for note in told["notes"])
    assert any("the filling holds no interactions" in note for note in told["notes"])
    assert {row["end"] for row in told["tables"]["joint"]} == {"relieved", "stopped", "all"}
    assert {row["over"] for row in told["tables"]["curves"]} == {"size_mm", "depth"}
    with pytest.raises(FrozenInstanceError):
        found.level = 0.9


def test_small_counts_do_not_leave():
    cases = clinic(cases=300)
    cases.loc[:4, "size_mm"] = "not_recorded"

    filled, left = (estimate_effects(cases, "core", **FEW, imputations=n) for n in (2, 0))

    assert any("size_mm in fewer than 11 cases" in note for note in filled.notes)
    assert any("fewer than 11 cases with a gap left out" in note for note in left.notes)
    assert not any("5 cases" in note for note in (*filled.notes, *left.notes))


def test_the_same_seed_gives_the_same_numbers(gaps):
    one, two, other = (
        estimate_effects(gaps, "core", **FEW, imputations=2, seed=seed).ratios for seed in (3, 3, 4)
    )

    assert one.equals(two)
    assert not one.equals(other)


def test_e_values_of_averages_are_those_of_their_risk_ratios():
    found = estimate_effects(clinic(cases=300), "core", **FEW)

    risk = found.confounding[found.confounding["of"] == "risk"].iloc[0]
    away = max(risk.ratio, 1 / risk.ratio)
    assert risk.ratio == found.averages.ratio.iloc[0]
    assert risk.e_value == pytest.approx(away + np.sqrt(away * (away - 1)), rel=1e-12)
    odds = found.confounding[found.confounding["of"] == "odds"].iloc[0]
    assert odds.risk_ratio == pytest.approx(np.sqrt(found.ratios.ratio.iloc[0]), rel=1e-12)


def test_a_level_that_settles_the_course_is_refused_without_a_penalty_and_estimated_by_firth():
    cases = clinic(cases=400)
    sheets = cases.opacity == "sheet"
    cases.loc[sheets, "ending"] = "stopped"
    cases.loc[sheets, "stop_reason"] = "no_benefit"

    with pytest.raises(FitError, match="firth"):
        estimate_effects(cases, "core", **FEW)

    found = estimate_effects(cases, "core", **FEW, penalty="firth")
    assert np.isfinite(found.ratios.select_dtypes("number").drop(columns="df")).all(axis=None)


def test_priors_say_that_tests_lean_on_them():
    found = estimate_effects(clinic(cases=200), "core", **FEW, penalty="prior")

    assert any("drawn towards the definition's priors" in note for note in found.notes)


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"level": 1.0}, "between 0 and 1"),
        ({"imputations": 1}, "2 to 200"),
        ({"seed": -1}, "from 0"),
        ({"reference": "z"}, "normal"),
        ({"case_mix": "any"}, "sampled"),
        ({"comparisons": []}, "at least one"),
        ({"measures": []}, "at least one"),
        ({"outcome": "usual"}, "common"),
    ],
)
def test_arguments_out_of_range_are_refused(settings, said):
    with pytest.raises(FitError, match=said):
        estimate_effects(clinic(cases=200), "core", **(FEW | settings))


def test_a_table_by_level_has_no_effects():
    with pytest.raises((FitError, DefinitionError), match="no effects"):
        estimate_effects(clinic(cases=200), "lifetable")
