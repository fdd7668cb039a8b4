"""The checks in one call: same cases for all, refusals, numbers that repeat and hold no case."""

from __future__ import annotations

import json
from functools import cache

import numpy as np
import pytest
from lawful import clinic

import retreat
from retreat.checks import fit_checks, held_out
from retreat.errors import FitError


@cache
def checked():
    return retreat.check_fit(clinic(3, n=150), "core", others=["frailty"], clinics=100, seed=1)


def test_all_tables_are_there():
    found = checked()

    assert set(found.incidence_table["end"]) == {"relieved", "stopped"}
    assert found.comparison_table["name"].tolist() == ["core", "frailty"]
    assert len(found.case_table) == found.n_cases == 150
    assert {"group", "what", "p", "reading"} <= set(found.discrepancy_table)
    assert found.told_by == "case"
    assert found.folds is None


def test_numbers_of_a_program_are_whole_and_hold_no_case():
    told = json.dumps(checked().to_json(), allow_nan=False)

    assert not [key for key in clinic(3, n=150)["case"] if key in told]
    assert len(json.loads(told)["comparison"]) == 2


def test_the_same_seed_gives_the_same_numbers_and_the_order_of_others_changes_none():
    again = retreat.check_fit(clinic(3, n=150), "core", others=["frailty"], clinics=100, seed=1)

    assert again.to_json() == checked().to_json()


def test_all_definitions_see_the_cases_complete_for_all():
    cases = clinic(3, n=400)
    cases.loc[:29, "pupil_mm"] = "not_recorded"  # a feature of full alone
    cases.loc[30:39, "size_mm"] = "not_recorded"

    found = retreat.check_fit(cases, "core", others=["full"], clinics=100, seed=1)

    assert found.n_cases < 390
    assert found.n_left_out == 400 - found.n_cases
    assert any(
        "more cases were left out since a feature of another definition" in note for note in found.notes
    )
    assert any("10 cases not yet begun or with a missing feature" in note for note in found.notes)


def test_definitions_that_are_one_model_here_are_told_so():
    found = retreat.check_fit(
        clinic(3, n=100, eyes_a_patient=2), "core", others=["frailty"], clinics=100, seed=1
    )

    assert any("core and frailty are the same model of these cases" in note for note in found.notes)
    assert "neither is the simpler" in found.beside[1].reading


def test_many_cases_that_weights_cannot_tell_go_to_folds(monkeypatch):
    monkeypatch.setattr(held_out, "HIGH_KHAT", -1.0)
    monkeypatch.setattr(fit_checks, "FOLDS", 3)
    found = retreat.check_fit(clinic(3, n=60), "core", clinics=100, seed=1)

    assert found.told_by == "patients"
    assert found.folds is not None
    assert found.folds.n_folds == 3
    assert found.beside[0].elpd == found.folds.total
    assert any("folds by patient instead" in note for note in found.notes)


def test_folds_asked_for_stand_beside_the_weights():
    found = retreat.check_fit(clinic(3, n=60), "core", folds=2, clinics=100, seed=1)

    assert found.told_by == "case"
    assert found.folds is not None
    assert found.beside[0].elpd == found.leave_one_out.total


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"definition": "lifetable"}, "is a table without priors"),
        ({"definition": "published"}, "rests on published averages"),
        ({"others": ["second_session"]}, "is of another outcome"),
        ({"others": ["core"]}, "comes twice"),
        ({"folds": 1}, "0, or a whole number from 2"),
        ({"folds": 200}, "the number of patients"),
        ({"clinics": 10}, "100 to 10,000"),
        ({"seed": -1}, "a whole number from 0"),
    ],
)
def test_what_cannot_be_is_refused_in_words(settings, words):
    with pytest.raises(FitError, match=words):
        retreat.check_fit(clinic(3, n=100), **settings)


def test_too_few_cases_are_refused():
    with pytest.raises(FitError, match="15 complete cases"):
        retreat.check_fit(clinic(3, n=15), "core")


def test_a_fit_that_fails_its_own_checks_gives_no_numbers(monkeypatch):
    from dataclasses import replace

    fit = fit_checks.fit_posterior
    monkeypatch.setattr(
        fit_checks,
        "fit_posterior",
        lambda design, seed: replace(fit(design, seed=seed), failures=("R-hat 1.2",)),
    )

    with pytest.raises(FitError, match=r"R-hat 1\.2"):
        retreat.check_fit(clinic(3, n=60), "core")


def test_another_definition_that_fails_is_told_and_not_compared(monkeypatch):
    from dataclasses import replace

    fit = fit_checks.fit_posterior

    def failing(design, seed):
        found = fit(design, seed=seed)
        return replace(found, failures=("R-hat 1.2",)) if design.definition.name == "frailty" else found

    monkeypatch.setattr(fit_checks, "fit_posterior", failing)
    found = retreat.check_fit(clinic(3, n=80), "core", others=["frailty"], clinics=100)

    assert [row.name for row in found.beside] == ["core"]
    assert "frailty: R-hat 1.2" in found.failures[0]


def test_a_question_of_the_first_session_can_be_checked_too():
    found = retreat.check_fit(clinic(3, n=100), "second_session", clinics=100, seed=1)

    assert found.ended.keys() == {"one_session"}
    assert np.isfinite(found.leave_one_out.total)
