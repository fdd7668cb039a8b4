"""Validation of a recipe on an invented clinic: every part of the report, and bad input."""

import json

import numpy as np
import pandas as pd
import pytest

import retreat
import synthetic
from retreat.definitions import read_definition
from retreat.errors import FitError
from retreat.fitting.design import read_data
from retreat.validation.recipes import NAMES
from retreat.validation.schemes.recipe_refits import RecipeRefits


def clinic(scenario="small", seed=1, **changes):
    made = synthetic.make(scenario, seed=seed, truth=False, **changes)
    return pd.DataFrame({name: list(values) for name, values in made.cases.items()})


@pytest.fixture(scope="module")
def cases():
    return clinic("established", cases=260)


@pytest.fixture(scope="module")
def by_folds(cases):
    return retreat.validate(cases, "core", folds=4, by=("operator", "period"))


@pytest.fixture(scope="module")
def by_bootstrap(cases):
    return retreat.validate(cases, "core", folds=4, resamples=24)


def test_every_measure_stands_in_the_table(by_folds, by_bootstrap):
    for report in (by_folds, by_bootstrap):
        table = report.table
        assert list(table.columns) == [
            *("measure", "horizon", "end", "apparent", "optimism", "corrected", "low", "high")
        ]
        assert set(table["measure"]) == set(NAMES)
        told = table[table["measure"] == "brier_at"]
        assert set(zip(told["horizon"], told["end"], strict=True)) == {
            (k, end) for k in (1, 2, 3, 4) for end in ("relieved", "stopped")
        }


def test_the_apparent_values_are_those_of_the_fitted_model(by_folds, cases):
    model = retreat.fit(cases, "core", draws=400)
    data = read_data(cases, read_definition("core"))
    kept = np.flatnonzero(data.complete)
    p = model.expected_of(data.rows(kept).features, horizon=3)[:, 0, 2]
    expected = retreat.validation.brier_at(p, data.sessions[kept], data.ending[kept], end=1, horizon=3)
    row = next(r for r in by_folds.rows if (r.measure, r.horizon, r.end) == ("brier_at", 3, "relieved"))
    assert row.apparent == pytest.approx(expected, abs=1e-9)


def test_held_out_patients_are_never_fitted(cases):
    """The prediction for a fold is that of a model of the others alone."""
    data = read_data(cases, read_definition("core"))
    data = data.rows(np.flatnonzero(data.complete))
    weights = np.ones((1, len(data.sessions)))
    weights[0, :40] = 0.0
    predicted, _ = RecipeRefits(data, "logistic", 1, {}, 3).predict(weights)
    model = retreat.fit(
        cases[read_data(cases, read_definition("core")).complete].iloc[40:], "core", draws=400
    )
    expected = model.expected_of(data.features, horizon=3)
    # the sandwich takes patients in another order of labels: the same to rounding
    np.testing.assert_allclose(predicted[0], expected, atol=1e-9)


def test_both_schemes_agree_within_their_intervals(by_folds, by_bootstrap):
    folds = {(r.measure, r.horizon, r.end): r for r in by_folds.rows}
    for row in by_bootstrap.rows:
        other = folds[row.measure, row.horizon, row.end]
        if row.measure in ("brier_at", "concordance_at", "observed_expected") and row.end == "relieved":
            assert row.low <= other.corrected <= row.high


def test_the_report_says_how_and_on_whom(by_folds, by_bootstrap):
    assert by_folds.scheme == "4-fold cross-validation by patient; during a course after session 1, 2"
    assert by_bootstrap.scheme.startswith("Harrell's optimism bootstrap, 24 resamples of ")
    assert by_folds.n_cases + by_folds.n_left_out == 260
    assert by_folds.invented
    assert by_folds.failures == ()


def test_challengers_stand_beside_the_model(by_folds):
    others = {c.other for c in by_folds.comparisons}
    assert others == {"null", "lifetable", "boosted"}
    scores = {(c.measure, c.other): c for c in by_folds.comparisons if c.end == ""}
    # the kind alone tells much in the invented clinic: everyone alike is worst
    assert scores["log_score", "null"].difference < 0
    for c in by_folds.comparisons:
        assert c.difference == pytest.approx(c.model - c.baseline, abs=1e-12)
        assert c.low <= c.difference <= c.high


def test_clusters_are_counted_and_not_named(by_folds, cases):
    operators = cases["operator"].nunique()
    rows = [c for c in by_folds.clusters if c.by == "operator"]
    assert {c.n_clusters + c.n_small for c in rows} == {operators}
    text = json.dumps(by_folds.to_json())
    assert not any(code in text for code in cases["operator"].unique())
    assert not any(key in text for key in cases["patient"].head(50))


def test_a_case_in_mid_course_is_looked_at_given_its_sessions(by_folds):
    rows = {(m.done, m.end): m for m in by_folds.mid_course}
    assert set(rows) == {(done, end) for done in (1, 2) for end in ("relieved", "stopped")}
    assert rows[1, "relieved"].horizon == 3
    assert rows[1, "relieved"].n > rows[2, "relieved"].n


def test_instability_comes_with_the_bootstrap_alone(by_folds, by_bootstrap):
    assert by_folds.instability is None
    found = by_bootstrap.instability
    assert found.n_resamples == 24
    assert 0.005 < found.mean_error < 0.15


def test_the_json_is_strict_and_whole(by_bootstrap):
    again = json.loads(json.dumps(by_bootstrap.to_json(), allow_nan=False))
    assert again["verdict"]["standing"] == by_bootstrap.verdict.standing
    assert len(again["measures"]) == len(by_bootstrap.rows)


def test_the_verdict_travels_in_the_model_file(by_folds, cases, tmp_path):
    model = by_folds.stamp(retreat.fit(cases, "core"))
    again = retreat.load(model.save(tmp_path / "clinic.retreat"))
    assert again.card.validated.standing == by_folds.verdict.standing
    assert again.card.validated.reasons == by_folds.verdict.reasons
    other = retreat.fit(cases, "second_session")
    with pytest.raises(FitError, match="as validated"):
        by_folds.stamp(other)


def test_the_same_seed_gives_the_same_numbers_with_two_processes(cases):
    one = retreat.validate(cases, "core", folds=3, resamples=8, challengers=())
    two = retreat.validate(cases, "core", folds=3, resamples=8, challengers=(), jobs=2)
    assert one.table.equals(two.table)


def test_a_plain_first_session_model_is_validated_at_session_1(cases):
    report = retreat.validate(cases, "second_session", folds=3)
    assert {row.horizon for row in report.rows} == {1}
    assert report.mid_course == ()
    assert {c.other for c in report.comparisons} == {"null", "boosted"}


def test_the_life_table_is_validated_without_itself_beside_it(cases):
    report = retreat.validate(cases, "lifetable", folds=3)
    assert {c.other for c in report.comparisons} == {"null"}


def test_two_deals_are_averaged(cases):
    once = retreat.validate(cases, "core", folds=3, challengers=())
    again = retreat.validate(cases, "core", folds=3, challengers=(), seed=2)
    both = retreat.validate(cases, "core", folds=3, repeats=2, challengers=())
    pick = [next(r.corrected for r in x.rows if r.measure == "rps") for x in (once, again, both)]
    # the second deal of seed 1 is the first of seed 2; the fits themselves differ by the seed of their draws
    assert pick[2] == pytest.approx((pick[0] + pick[1]) / 2, abs=5e-3)


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"folds": 1000}, "folds"),
        ({"folds": 1}, "folds"),
        ({"resamples": -1}, "resamples"),
        ({"correction": "hope"}, "correction"),
        ({"horizons": (30,)}, "horizons"),
        ({"horizons": 3}, "horizons, decisions"),
        ({"folds": "5"}, "folds"),
        ({"by": "colour"}, "by"),
        ({"challengers": ("oracle",)}, "challengers"),
        ({"repeats": 0}, "repeats"),
        ({"level": 2}, "level"),
        ({"penalties": 1}, "penalties"),
        ({"method": "magic"}, "method"),
    ],
)
def test_bad_arguments_are_named(cases, change, where):
    with pytest.raises(FitError) as refused:
        retreat.validate(cases, "core", **change)
    assert where in {fault.where for fault in refused.value.faults}


def test_few_cases_are_told_as_such(cases):
    with pytest.raises(FitError, match="at least 20 for core"):
        retreat.validate(cases.head(6), "core")


def test_a_horizon_few_were_followed_to_is_noted(cases):
    sessions = cases["sessions"].astype(int)
    # of those with a fourth session all but two were lost after the third
    going = cases[sessions >= 4].index[2:]
    lost = cases.copy()
    lost.loc[going, ["sessions", "ending", "stop_reason"]] = ["3", "ongoing", "not_applicable"]
    lost = lost[~(lost["ending"].eq("ongoing") & lost.duplicated(["patient", "eye"]))]
    report = retreat.validate(lost, "core", folds=3, horizons=(1, 2, 3, 4), challengers=())
    assert any(
        note.startswith("few cases were followed to session 4: one stands for ") for note in report.notes
    )


def test_one_operator_only_gets_a_reason(cases):
    alone = cases.assign(operator="op1")
    report = retreat.validate(alone, "core", folds=3, by="operator", challengers=())
    assert {c.reason for c in report.clusters} == {"fewer than two of them"}


def test_an_end_never_observed_leaves_the_rest(cases):
    some = cases[cases["ending"] != "stopped"]
    report = retreat.validate(some, "core", folds=3)
    rows = {(r.measure, r.horizon, r.end): r for r in report.rows}
    assert np.isnan(rows["slope", 2, "stopped"].corrected)
    assert rows["slope", 2, "stopped"].reason
    assert np.isfinite(rows["brier_at", 2, "relieved"].corrected)


def test_all_in_treatment_before_the_horizon_is_refused(cases):
    going = cases.assign(ending="ongoing", stop_reason="not_applicable")
    going = going.drop_duplicates(["patient", "eye"])  # one open case an eye
    with pytest.raises(FitError, match="0 cases have ended"):
        retreat.validate(going, "core")
