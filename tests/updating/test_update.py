"""An update from table to model: the record, the card, refusals, and what is left out."""

from __future__ import annotations

import sys
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from practices import saved, table

import retreat
from retreat.errors import FitError, TableError
from retreat.model.card import Ancestor
from retreat.updating.judging import TOO_FEW
from retreat.updating.overlap import SHARED, STATED, new_from
from retreat.updating.practice import read_practice


@pytest.fixture(scope="module")
def elsewhere():
    """A model updated in a practice that differs from the one it was made in."""
    cases = table("registry", seed=3, cases=260)
    return retreat.update(saved(), cases, folds=4, step="intercepts_slope", other_practice=True)


def test_the_updated_model_says_what_it_came_from(elsewhere):
    card, parent = elsewhere.model.card, saved().card
    ancestor = Ancestor(
        saved().model_id,
        "core",
        parent.created,
        parent.n_cases,
        parent.data_fingerprint,
        card.lineage[0].step,
    )
    assert card.lineage == (ancestor,)
    assert card.data_fingerprint not in ("", parent.data_fingerprint)
    assert card.n_cases == elsewhere.n_cases
    assert card.method.endswith("; updated by intercepts slope")
    assert any("600 other cases" in line or "other cases" in line for line in card.cautions)
    assert card.validated is not None
    assert card.validated.standing == elsewhere.verdict.standing
    assert any(note.startswith("in the update, ") for note in card.notes)


def test_the_updated_model_is_saved_loaded_and_forecasts(elsewhere, tmp_path):
    again = retreat.load(elsewhere.model.save(tmp_path / "u.retreat"))
    assert again.model_id == elsewhere.model.model_id
    eye = {"opacity": ["ring"], "size_mm": [2.0], "zone": ["middle"], "cornea": ["none"]}
    if again.card.for_counselling:
        told = again.forecast(eye, horizon=3)
        assert np.isfinite(told.pmf).all()
        assert any("other cases" in line for line in told.cautions)


def test_a_second_update_lengthens_the_lineage_and_tells_of_the_first_model(elsewhere):
    twice = retreat.update(elsewhere.model, table("registry", seed=4, cases=150), folds=2, step="intercepts")
    card = twice.model.card
    assert [a.model_id for a in card.lineage] == [saved().model_id, elsewhere.model.model_id]
    assert sum("first made from" in line for line in card.cautions) == 1
    assert "2 times" in " ".join(card.basis)
    assert card.method.count("updated by") == 1


def test_calibration_after_is_better_where_the_practice_differs(elsewhere):
    found = elsewhere.calibration.set_index(["end", "session", "measure"])
    assert list(found.columns) == [
        *("before", "before_low", "before_high", "after", "after_low", "after_high", "reason")
    ]
    ratio = found.loc[("relieved", 3, "observed_expected")]
    assert abs(np.log(ratio["after"])) < abs(np.log(ratio["before"]))
    assert ratio["after_low"] < ratio["after"] < ratio["after_high"]
    brier = found.loc[("relieved", 3, "brier_at")]
    assert brier["after"] < brier["before"]
    assert sum(elsewhere.fold_steps.values()) == 4


def test_calibration_after_is_of_patients_the_update_has_not_seen(monkeypatch):
    from retreat.updating import updates

    seen = []
    whole = updates._climbed

    def watched(model, practice, step, seed):
        seen.append(set(practice.row.tolist()))
        return whole(model, practice, step, seed)

    monkeypatch.setattr(updates, "_climbed", watched)
    cases = table("registry", seed=3, cases=120)
    retreat.update(saved(), cases, folds=3, step="intercepts")
    everyone, *parts = seen
    patient = cases["patient"].to_numpy()
    assert len(parts) == 3
    for part in parts:
        out = everyone - part
        assert not {patient[i] for i in out} & {patient[i] for i in part}
    assert set().union(*(everyone - part for part in parts)) == everyone


def test_before_is_the_model_as_it_was_and_a_kept_model_is_the_same_before_and_after():
    kept = retreat.update(saved(), table(seed=9, cases=150), folds=3)
    assert kept.step == "none"
    assert kept.model is saved()
    found = kept.calibration
    assert np.array_equal(found["before"], found["after"], equal_nan=True)
    from retreat.validation import calibration_at

    practice = read_practice(saved(), table(seed=9, cases=150))
    told = saved().expected_of(practice.features, horizon=2)[:, 0, 1]
    outside = calibration_at(told, practice.sessions, practice.ending, end=1, horizon=2)
    row = found[(found["end"] == "relieved") & (found["session"] == 2)].set_index("measure")["before"]
    assert row["observed_expected"] == pytest.approx(outside.observed_expected, abs=1e-9)
    assert row["slope"] == pytest.approx(outside.slope, abs=1e-6)


def test_the_same_seed_gives_the_same_model():
    one, two = (
        retreat.update(saved(), table("registry", seed=3, cases=120), folds=2, step="intercepts", seed=5)
        for _ in range(2)
    )
    assert one.model.model_id == two.model.model_id
    assert one.words == two.words


def test_few_cases_are_kept_from_any_change_in_words():
    found = retreat.update(saved(), table(seed=2, cases=12), folds=2, other_practice=True)
    assert (found.step, found.supported) == ("none", "none")
    words = " ".join(found.words)
    assert "Too few cases have ended" in words
    assert "more cases like these would support intercepts" in words
    assert "no verdict" in words
    assert found.tests.empty


def test_a_step_too_far_is_refused():
    with pytest.raises(FitError, match="re_estimation needs") as refused:
        retreat.update(saved(), table(seed=2, cases=12), step="re_estimation")
    assert "use step='none' or 'auto'" in refused.value.faults[0].fix


def test_cases_with_a_missing_feature_or_not_begun_are_left_out_and_counted():
    cases = table(seed=2, cases=80)
    cases.loc[cases.index[:7], "size_mm"] = "not_recorded"
    cases.loc[cases.index[10], ["sessions", "ending"]] = ["0", "ongoing"]
    cases.loc[cases.index[10], "stop_reason"] = "not_applicable"
    found = retreat.update(saved(), cases, folds=2)
    words = " ".join(found.words)
    assert "without size_mm" in words
    assert "not yet begun" in words
    assert found.n_cases + found.n_left_out == 80


def test_levels_the_model_has_not_seen_are_left_out_in_words():
    then = table(seed=1, cases=600)
    model = retreat.fit(then[then["opacity"] != "sheet"], "core", draws=100)
    cases = table("registry", seed=3, cases=200)
    n = int((cases["opacity"] == "sheet").sum())
    found = retreat.update(model, cases, folds=2, step="none")
    assert any("no fitted case has opacity sheet" in line for line in found.words)
    assert found.n_left_out >= n > 0


def test_sizes_far_outside_are_left_out_without_the_value_of_a_patient():
    then = table(seed=1, cases=600)
    small = pd.to_numeric(then["size_mm"], errors="coerce") < 3
    model = retreat.fit(then[small], "core", draws=100)
    cases = table(seed=2, cases=60)
    cases.loc[cases.index[3], "size_mm"] = "14.9"
    practice = read_practice(model, cases)
    assert any("size_mm far outside what the model saw" in why for why in practice.left_out)
    assert "14.9" not in " ".join(practice.left_out)


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"ending": "ongoing", "stop_reason": "not_applicable"}, "has ended"),
        ({"size_mm": np.nan}, "can be judged"),
    ],
)
def test_a_table_that_tells_nothing_is_explained(change, what):
    with pytest.raises(FitError, match=what):
        retreat.update(saved(), table(seed=2, cases=40).assign(**change))


def test_one_patient_is_too_few():
    cases = table(seed=2, cases=40)
    pair = cases[cases.duplicated("patient", keep=False)].sort_values("patient").iloc[:2]
    pair = pair.assign(ending="relieved", stop_reason="not_applicable", sessions=1)
    with pytest.raises(FitError, match="one patient"):
        retreat.update(saved(), pair)


def test_an_unknown_category_is_refused_by_the_table():
    cases = table(seed=2, cases=40)
    cases.loc[cases.index[0], "opacity"] = "jelly"
    with pytest.raises(TableError, match="opacity"):
        retreat.update(saved(), cases)


def test_models_that_are_not_updated_are_refused_in_words():
    life = retreat.fit(table(seed=1, cases=200), "lifetable", draws=100)
    with pytest.raises(FitError, match="life table by kind"):
        retreat.update(life, table(seed=2, cases=40))
    failed = replace(saved(), card=replace(saved().card, failures=("no case ended",)))
    with pytest.raises(FitError, match="no case ended"):
        retreat.update(failed, table(seed=2, cases=40))
    other = replace(saved(), card=replace(saved().card, ends=("cured", "lost")))
    with pytest.raises(FitError, match="cured, lost"):
        retreat.update(other, table(seed=2, cases=40))


def test_every_wrong_argument_is_named_at_once():
    with pytest.raises(FitError) as refused:
        retreat.update(
            saved(), table(), step="leap", folds=1, seed=-1, level=2, discount=0.5, other_practice="yes"
        )
    assert {f.where for f in refused.value.faults} == {
        "step",
        "folds",
        "seed",
        "level",
        "discount",
        "other_practice",
    }
    with pytest.raises(FitError, match="a DataFrame"):
        retreat.update(saved(), {"case": []})
    with pytest.raises(FitError, match="a Model"):
        retreat.update("core.retreat", table())


def test_a_model_of_the_second_session_is_updated_too():
    model = retreat.fit(table(seed=1, cases=500), "second_session", draws=200)
    found = retreat.update(model, table("registry", seed=3, cases=200), folds=2, step="intercepts")
    assert found.calibration["session"].unique().tolist() == [1]
    assert found.model.card.last_session == 1


def bayesian(**changes):
    return replace(saved(), card=replace(saved().card, method="Bayesian hazard, nested", **changes))


def test_a_bayesian_model_goes_to_its_own_update_coded_as_it_was(monkeypatch):
    calls = []

    def update_bayes(model, design, *, discount, seed):
        calls.append((design, discount, seed))
        return replace(model, card=replace(model.card, notes=("updated",)))

    monkeypatch.setitem(sys.modules, "retreat.updating.bayesian", SimpleNamespace(update_bayes=update_bayes))
    cases = table("registry", seed=3, cases=60)
    found = retreat.update(bayesian(), cases, folds=3, discount=0.4, seed=7, other_practice=True)
    assert found.step == "bayesian"
    assert len(calls) == 4  # all cases, then without each fold
    assert {(d, s) for _, d, s in calls} == {(0.4, 7)}
    design = calls[0][0]
    assert design.coding == saved().coding
    assert len(design.X) == found.n_cases
    assert len(found.model.card.lineage) == 1
    assert "updated" in found.model.card.notes


def test_a_bayesian_model_takes_no_rung_and_needs_its_definition():
    with pytest.raises(FitError, match="whole posterior"):
        retreat.update(bayesian(), table(cases=60), step="intercepts")
    with pytest.raises(FitError, match="not a shipped definition"):
        retreat.update(bayesian(name="own"), table(cases=60), other_practice=True)
    with pytest.raises(FitError, match="was changed since"):
        retreat.update(bayesian(definition_fingerprint="0"), table(cases=60), other_practice=True)


def test_the_record_is_plain_json(elsewhere):
    import json

    again = json.loads(json.dumps(elsewhere.to_json(), allow_nan=False))
    assert again["step"] == "intercepts_slope"
    assert len(again["calibration"]) == len(elsewhere.calibration)
    assert elsewhere.tests["p"].between(0, 1).all()


def test_no_row_of_a_patient_is_in_the_model(elsewhere):
    p = elsewhere.model.parameters
    assert elsewhere.n_cases not in {*p.coefficients.shape, *p.session_effects.shape}
    assert pd.api.types.is_integer(elsewhere.model.card.n_cases)


def test_the_very_cases_of_the_fit_are_refused(elsewhere):
    first = table(seed=1, cases=600)
    for one in (first, first.sample(frac=1, random_state=1)):
        with pytest.raises(FitError, match="made from these very cases"):
            retreat.update(saved(), one)
    again = table("registry", seed=3, cases=260)
    for one in (again, again.sample(frac=1, random_state=1)):
        with pytest.raises(FitError, match="made from these very cases"):
            retreat.update(elsewhere.model, one, other_practice=True)


def grown(cases=300, more=60):
    """The table of a model, and the same table later: shuffled, with cases that came since."""
    then = table(seed=21, cases=cases)
    since = table(seed=22, cases=more)
    since = since.assign(case="z" + since["case"].astype(str), patient="z" + since["patient"].astype(str))
    since = since.assign(started="2025")
    return then, pd.concat([then, since]).sample(frac=1, random_state=2)


@pytest.fixture(scope="module")
def earlier():
    """A model of the earlier table, fitted on the last day of its cases."""
    model = retreat.fit(grown()[0], "core", draws=200)
    return replace(model, card=replace(model.card, created="2024-12-31"))


@pytest.mark.parametrize("which", ["superset", "part"])
def test_cases_the_model_may_have_seen_give_no_verdict(which, earlier):
    then, later = grown()
    cases = {"superset": later, "part": then.iloc[:200]}[which]
    found = retreat.update(earlier, cases, folds=2, step="intercepts")
    assert found.verdict is None
    assert found.model.card.validated is None
    assert SHARED in found.model.card.notes
    words = " ".join(found.words)
    assert "cannot be excluded that the model has seen" in words
    assert "--since 2025-01-01" in words
    assert "out of sample" not in words
    assert found.to_json()["standing"] is None
    assert "cannot be excluded" in found.to_json()["no_verdict"]


def test_cases_that_started_since_are_new(earlier):
    found = retreat.update(earlier, grown(more=200)[1], folds=2, step="intercepts", since="2025-01-01")
    assert found.n_cases <= 200
    assert found.n_left_out < 200 - found.n_cases + 1
    assert "cannot be excluded" not in " ".join(found.words)
    assert any("not known to have started on 2025-01-01 or later" in line for line in found.words)
    assert not any("More than a fifth" in line for line in found.words)
    assert found.verdict is not None
    assert found.model.card.validated.standing == found.verdict.standing
    assert not {SHARED, STATED} & set(found.model.card.notes)


def test_the_word_of_the_user_is_noted_on_the_card(elsewhere):
    assert STATED in elsewhere.model.card.notes
    assert elsewhere.verdict is not None


def test_new_is_after_the_last_year_or_the_day_the_model_was_made(earlier):
    card = earlier.card
    assert new_from(card) == "2025-01-01"
    assert new_from(replace(card, created="2024-09-30")) == "2024-10-01"
    assert new_from(replace(card, created="2026-03-01")) == "2025-01-01"
    assert new_from(replace(card, created="2026-03-01", years=())) == "2026-03-02"
    assert new_from(replace(card, n_cases=0)) == ""  # published averages hold no case
    before = Ancestor("id", "core", "2026-02-01", 300, "f", "a shift")
    assert new_from(replace(card, lineage=(before,))) == "2026-02-02"
    assert new_from(replace(card, lineage=(replace(before, n_cases=0),))) == "2025-01-01"


@pytest.mark.parametrize("since", ["soon", "2025-13-01", "20250101", 2025])
def test_a_since_that_is_no_date_is_refused(since, earlier):
    with pytest.raises(FitError, match="since"):
        retreat.update(earlier, grown()[1], since=since)


def test_a_bare_year_counts_from_its_first_day(earlier):
    cases = grown(more=60)[1]
    practice = read_practice(earlier, cases, since="2025")
    assert practice.years == (2025, 2025)
    with pytest.raises(FitError, match="can be judged"):
        read_practice(earlier, cases, since="2025-02-01")


@pytest.mark.parametrize("cases", [20, 40])
def test_a_tiny_update_is_no_verdict(cases):
    for seed in range(4):
        found = retreat.update(saved(), table(seed=30 + seed, cases=cases), folds=2, other_practice=True)
        assert found.no_verdict == TOO_FEW
        assert found.model.card.validated is None
        assert "Too few cases to judge: no verdict is drawn" in " ".join(found.words)


def test_few_cases_that_leave_no_doubt_are_a_verdict():
    # nobody is relieved where more than half are expected by the third session
    cases = table(seed=30, cases=80)
    cases = cases.assign(ending="stopped", stop_reason="choice")
    cases["sessions"] = cases["sessions"].astype(int).clip(1)
    found = retreat.update(saved(), cases, folds=2, step="none", other_practice=True)
    assert found.verdict.standing == "not fit"


def test_a_ratio_with_few_expected_does_not_decide():
    from retreat.updating.agreement_before_after import BeforeAfter, CalibrationRow
    from retreat.updating.judging import judged

    def row(end, measure, value, low, high):
        return CalibrationRow(end, 1, measure, value, low, high, value, low, high)

    rows = (
        row("relieved", "observed_expected", 1.0, 0.95, 1.05),
        row("relieved", "slope", 1.0, 0.9, 1.1),
        row("stopped", "observed_expected", 6.0, 3.0, 9.0),
    )
    practice = read_practice(saved(), table(seed=2, cases=200))
    for expected, standing in ((0.6, "fit for counselling"), (8.0, "usable with a warning")):
        found = BeforeAfter(rows, {}, (), 0, {("relieved", 1): 90.0, ("stopped", 1): expected})
        assert judged(saved().card, found, practice, "").verdict.standing == standing
    none = BeforeAfter(rows, {}, (), 0, {("relieved", 1): 4.0, ("stopped", 1): 0.6})
    assert judged(saved().card, none, practice, "").withheld == TOO_FEW


def test_expected_events_are_those_of_the_sessions_seen():
    from retreat.updating.agreement_before_after import _expected_events

    # two eyes, one end: chances .5 and then .5 of those left; the second eye is seen for one session only
    incidence = np.array([[[0.5, 0.75]], [[0.2, 0.36]]])
    assert _expected_events(incidence, np.array([2, 1])).tolist() == [[0.7, 1.2]]
