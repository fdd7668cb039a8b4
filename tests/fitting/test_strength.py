"""The ridge chosen by cross-validation."""

from dataclasses import replace

import numpy as np
import pytest
from clinics import clinic

from retreat.definitions import read_definition
from retreat.errors import FitError
from retreat.fitting import hazardfit, strength
from retreat.fitting.design import design
from retreat.fitting.logistic_model import _settings, fit_logistic
from retreat.fitting.strength import STRENGTHS, choose_strength
from retreat.hazard import hazards

CORE = read_definition("core")


def courses(d):
    return hazardfit.Courses(d.X, d.sessions, d.ending, d.n_ends)


def chosen(d, seed=1):
    return choose_strength(courses(d), lambda s: _settings(d, s), d.patient, seed=seed)


def scores_by_hand(d, link):
    """Log probability of what happened to held-out patients, case by case from predicted hazards."""
    n = int(d.patient.max()) + 1
    fold = (np.random.default_rng(1).permutation(n) % 5)[d.patient]
    scores = []
    for s in STRENGTHS:
        total = 0.0
        for held in range(5):
            fit = hazardfit.fit_hazard(courses(d).rows(fold != held), _settings(d, s))
            b, a = fit.layout.split(fit.theta)
            for i in np.flatnonzero(fold == held):
                last = np.minimum(np.arange(d.sessions[i]), a.shape[1] - 1)
                h = hazards((b @ d.X[i])[:, None] + a[:, last], link)
                total += np.log1p(-h.sum(axis=0)[:-1]).sum()
                end = d.ending[i]
                total += np.log(h[end - 1, -1]) if end else np.log1p(-h.sum(axis=0)[-1])
        scores.append(total)
    return scores


@pytest.mark.parametrize("link", ["logit", "cloglog"])
def test_strengths_are_scored_by_what_happened_to_held_out_patients(link, monkeypatch):
    d = design(clinic(cases=300), replace(CORE, link=link))
    score, seen = strength._score, []

    def recorded(*arguments):
        seen.append(score(*arguments))
        return seen[-1]

    monkeypatch.setattr(strength, "_score", recorded)
    best = chosen(d)

    expected = scores_by_hand(d, link)
    np.testing.assert_allclose(np.reshape(seen, (len(STRENGTHS), 5)).sum(axis=1), expected, atol=1e-7)
    assert best == STRENGTHS[int(np.argmax(expected))]


def test_columns_of_noise_ask_for_a_stronger_ridge():
    cases = clinic(cases=300)
    noise = cases.copy()
    mixed = np.random.default_rng(0).permutation(len(cases))
    for name in ("opacity", "size_mm", "lens_gap_mm", "retina_gap_mm", "axial_mm", "zone", "cornea"):
        noise[name] = cases[name].to_numpy()[mixed]

    assert chosen(design(noise, CORE)) > chosen(design(cases, CORE))


def test_the_fit_is_the_ridge_of_the_chosen_strength():
    d = design(clinic(cases=300), CORE)

    by_folds = fit_logistic(d, penalty="cv", seed=1)
    by_number = fit_logistic(d, penalty=chosen(d))

    np.testing.assert_array_equal(by_folds.coefficients, by_number.coefficients)
    assert by_folds.penalty == f"ridge {chosen(d):g}, smooth sessions"


def test_all_cases_of_a_patient_are_held_out_together(monkeypatch):
    d = design(clinic(cases=300), CORE)
    seen = []
    monkeypatch.setattr(strength, "_score", lambda c, s, fold, held: seen.append(fold == held) or 0.0)

    chosen(d)

    for held in seen[:5]:
        assert not set(d.patient[held]) & set(d.patient[~held])
    assert np.sum(seen[:5], axis=0).tolist() == [1] * 300


def test_fewer_patients_than_folds_are_refused():
    d = design(clinic(cases=300), CORE)

    with pytest.raises(FitError, match="4 patients for 5 folds; to mend: choose the strength yourself"):
        choose_strength(courses(d), lambda s: _settings(d, s), np.arange(300) % 4, seed=1)


def test_no_strength_that_fits_every_fold_is_refused():
    """An end that one patient alone had has no chance when that patient is held out."""
    d = design(clinic(cases=300), CORE)
    ending = np.where(d.ending == 2, 1, d.ending)
    ending[np.flatnonzero(ending)[0]] = 2
    rare = replace(d, ending=ending)

    with pytest.raises(
        FitError, match="no strength could be fitted in every fold; to mend: use the definition's"
    ):
        chosen(rare)
