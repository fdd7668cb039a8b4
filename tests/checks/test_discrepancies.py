"""Numbers of a clinic beside replicated ones: planted misfits are found, right models left in peace."""

from __future__ import annotations

import numpy as np
import pytest
from lawful import clinic
from posteriors import outlook, posterior

from retreat.checks.discrepancies import AGAINST, discrepancies
from retreat.checks.held_out import leave_one_out
from retreat.checks.pit import pit_by_others
from retreat.checks.replication import replicated
from retreat.definitions import read_definition
from retreat.fitting.bayes import fit_posterior
from retreat.fitting.design import design

LATE = "lead in log odds of those relieved, from session 3 on"
LOST = "lead in log odds of those relieved, lost by session 3"
CLINICS = 400


def checked(found, seed=1):
    return discrepancies(found, replicated(found, clinics=CLINICS, seed=seed), level=0.9)


def row(found, what):
    return next(r for r in found.rows if r.what == what)


def test_a_share_that_never_responds_is_found_in_late_sessions():
    found = checked(posterior(n=1000, never=0.25))

    assert {LATE, LOST} <= {r.what for r in found.against}
    assert row(found, LATE).reading == "less than the model says"
    assert row(found, LOST).reading == "more than the model says"


@pytest.mark.slow
def test_strong_frailty_is_found_in_late_sessions():
    # seeds 0 to 4 of this law gave p of 0.002 to 0.013 when the test was written; the first is kept
    found = checked(posterior(seed=0, n=3000, follow_up=12, loading=(2.0, -1.0)))

    assert row(found, LOST).p < AGAINST
    assert row(found, LATE).observed < row(found, LATE).low


def test_the_model_that_has_the_share_is_left_in_peace():
    found = checked(posterior("mover_stayer", n=1000, never=0.25))

    assert not found.against


def test_numbers_of_few_cases_are_not_told():
    found = checked(posterior(n=60))

    assert min(r.n for r in found.rows) >= 11


def test_numbers_are_those_of_the_table():
    found = checked(posterior(n=200))
    cases = clinic(3, n=200)
    sessions = cases["sessions"].astype(int)

    had = sessions >= 2
    relieved = (cases["ending"] == "relieved") & (sessions == 2)
    second = row(found, "relieved at session 2, of those who had it")
    assert (second.n, second.observed) == (had.sum(), pytest.approx(relieved.sum() / had.sum()))
    ring = cases["opacity"] == "ring"
    assert row(found, "ring: sessions had").observed == pytest.approx(sessions[ring].mean())
    assert row(found, "longest course").observed == sessions.max()


@pytest.mark.slow
def test_true_models_are_flagged_no_more_often_than_told():
    n_clinics, n = 24, 150
    tails, p, masses = [], [], []
    core = read_definition("core")
    for seed in range(n_clinics):
        found = fit_posterior(design(clinic(seed, n=n), core), seed=1)
        tails += [r.p for r in checked(found).rows]
        transform = pit_by_others(leave_one_out(outlook(found), seed=1), found.design.ending > 0)
        p.append(transform.p)
        masses.append(transform.histogram.observed)

    # nominal 5% and 1% of some 650 numbers. Fitted numbers are flagged more rarely: 1 and 0 of 1,634 were seen in a
    # run of 60 clinics. Twice the nominal rate leaves room for numbers of one clinic that hang together
    assert np.mean(np.array(tails) < 0.05) <= 0.10
    assert np.mean(np.array(tails) < 0.01) <= 0.02
    # nominal 5% of 24 transforms: binomial(24, 0.05) is above 5 in fewer than 2 of 1,000 runs
    assert (np.array(p) < 0.05).sum() <= 5
    # 3,600 cases: three binomial errors of a tenth are 0.015
    np.testing.assert_allclose(np.mean(masses, axis=0), 0.1, atol=0.015)
