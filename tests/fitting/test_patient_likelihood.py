"""The joint likelihood of a patient's cases: patient by patient, and against the likelihood of the whole table."""

from dataclasses import replace

import numpy as np
import pytest
from nested_clinics import plain

from retreat.fitting.nested import likelihood
from retreat.fitting.nested.courses import lay_out
from retreat.fitting.nested.hardness import kinds
from retreat.fitting.nested.likelihood import Draws, log_likelihood, patient_log_likelihood
from retreat.fitting.posterior import Posterior


def draws_of(courses, n, *, never=0.2):
    rng = np.random.default_rng(5)
    K = courses.n_ends
    return Draws(
        coefficients=rng.normal(0.0, 0.4, (n, K, courses.X.shape[1])),
        effects=rng.normal(-0.8, 0.4, (n, K, courses.n_effects)),
        operator=rng.normal(0.0, 0.4, (n, K, courses.n_operators)),
        loading=0.8 * rng.normal(size=(n, K)),
        never=np.full(n, never),
    )


def shuffled(table):
    """Patients numbered in another order than their cases stand."""
    return replace(table, patient=np.random.default_rng(2).permutation(len(table.X))[table.patient])


@pytest.mark.parametrize("patients_of", [1, 2, 3])
def test_patients_add_up_to_the_whole(patients_of, monkeypatch):
    monkeypatch.setattr(likelihood, "_BLOCK_VALUES", 90 * 400)
    courses = lay_out(shuffled(plain(cases=90, patients_of=patients_of)))
    draws, one = draws_of(courses, 900), kinds(hard=True, never=True, n_nodes=7)  # more than two blocks
    found = patient_log_likelihood(courses, draws, one)
    assert found.shape == (900, 90 // patients_of)
    np.testing.assert_allclose(found.sum(axis=1), log_likelihood(courses, draws, one), atol=2e-4, rtol=0)


@pytest.mark.parametrize("patients_of", [1, 2])
def test_each_patient_has_the_likelihood_of_a_table_of_their_own(patients_of):
    table = shuffled(plain(cases=40, patients_of=patients_of, pool_below=0))
    courses = lay_out(table)
    draws, one = draws_of(courses, 3), kinds(hard=True, never=True, n_nodes=7)
    found = patient_log_likelihood(courses, draws, one)
    for place, patient in enumerate(np.unique(table.patient)):
        mine = table.patient == patient
        names = ("X", "operator", "patient", "sessions", "ending")
        alone = replace(table, **{name: getattr(table, name)[mine] for name in names})
        np.testing.assert_allclose(found[:, place], log_likelihood(lay_out(alone), draws, one), atol=1e-5)


def test_an_impossible_course_has_no_likelihood():
    courses = lay_out(plain(cases=40))
    draws, one = draws_of(courses, 2, never=1.0), kinds(hard=False, never=True)
    found = patient_log_likelihood(courses, draws, one)
    assert (found == -np.inf).any()
    assert not np.isnan(found).any()


def test_a_posterior_tells_the_joint_likelihood_of_patients_with_two_eyes():
    table = plain("frailty", cases=80, patients_of=2)
    courses = lay_out(table)
    draws = draws_of(courses, 60, never=0.0)
    posterior = Posterior(
        design=table,
        coefficients=draws.coefficients,
        effects=draws.effects,
        step_sd=np.zeros((60, 0)),
        operator_sd=np.ones((60, table.n_ends)),
        operator_effect=draws.operator,
        patient_loading=draws.loading,
        never=draws.never,
        log_prior=np.zeros(60),
        sampler="nuts",
        n_chains=2,
        failures=(),
        notes=(),
        diagnostics={},
    )
    whole = log_likelihood(courses, draws, kinds(hard=True, never=False, n_nodes=15))
    np.testing.assert_allclose(posterior.patient_log_likelihood().sum(axis=1), whole, atol=2e-4, rtol=0)
    # cases given the other eye do not add up to it
    assert np.abs(posterior.case_log_likelihood().sum(axis=1) - whole).max() > 0.5
    assert posterior.to_tree()["log_likelihood"]["courses"].shape == (2, 30, 80)
