"""Replicated clinics: the law they are drawn from, and who is followed for how long."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from posteriors import posterior, stated

from retreat.checks.curves import incidence_of
from retreat.checks.follow_up import LONGEST, drawn_follow_up, followed_past
from retreat.checks.replication import replicated
from retreat.validation import aalen_johansen

COURSES = st.lists(st.tuples(st.integers(1, 9), st.integers(0, 2)), min_size=1, max_size=40)


def test_the_chance_of_being_followed_is_told_by_hand():
    # five eyes: one lost after session 1; of three at session 2 one ends, one is lost after it; the last ends at 3
    past = followed_past(np.array([1, 1, 2, 2, 3]), np.array([0, 1, 1, 0, 2]))

    # at session 1 four go on and one of them is lost; at session 2 two go on and one is lost
    np.testing.assert_allclose(past, [1.0, 3 / 4, 3 / 8, 3 / 8])


@given(COURSES, st.integers(0, 99))
def test_nobody_is_followed_for_less_than_seen_and_the_lost_for_just_as_long(courses, seed):
    sessions, ending = (np.array(values) for values in zip(*courses, strict=True))

    found = drawn_follow_up(sessions, ending, replicates=5, seed=seed)

    assert (found >= sessions).all()
    assert (found <= LONGEST).all()
    assert (found[:, ending == 0] == sessions[ending == 0]).all()


def test_follow_up_drawn_for_those_who_ended_is_as_long_as_it_was():
    # 20,000 eyes lost after each session with chance 0.2 and ended at each with chance 0.3
    rng = np.random.default_rng(1)
    lost, ended = rng.geometric(0.2, 20_000), rng.geometric(0.3, 20_000)
    sessions, ending = np.minimum(lost, ended), (ended <= lost).astype(int)

    (found,) = drawn_follow_up(sessions, ending, replicates=1, seed=2)

    # three binomial errors of 20,000 and as much again for the estimate: 0.02
    for k in (1, 2, 4):
        assert (found > k).mean() == pytest.approx(0.8**k, abs=0.02)


def test_courses_are_drawn_from_the_odds_of_the_posterior():
    found = stated(posterior(n=200), odds=(1.0, 0.5))

    clinics = replicated(found, clinics=400, seed=1)

    had = clinics.sessions >= 1
    # 80,000 courses: three binomial errors are 0.005
    for end, share in ((1, 1 / 2.5), (2, 0.5 / 2.5)):
        ended = (clinics.ending == end) & (clinics.sessions == 1)
        assert ended.sum() / had.sum() == pytest.approx(share, abs=0.006)
    second = clinics.sessions >= 2
    ended = (clinics.ending == 1) & (clinics.sessions == 2)
    assert ended.sum() / second.sum() == pytest.approx(1 / 2.5, abs=0.009)


def test_eyes_that_never_respond_are_never_relieved():
    found = stated(posterior("mover_stayer", n=200), odds=(1e6, 1e-6), never=0.3)

    clinics = replicated(found, clinics=400, seed=1)

    # all who can be relieved are, at the first session; 400 x 200 eyes: three binomial errors are 0.005
    assert (clinics.ending == 1).mean() == pytest.approx(0.7, abs=0.006)
    assert (clinics.sessions[clinics.ending == 1] == 1).all()


def test_two_eyes_of_a_patient_share_how_hard_they_are():
    found = stated(posterior(n=200, eyes_a_patient=2), odds=(1.0, 1e-9), loading=(30.0, 0.0))
    patient = found.design.patient
    first, second = (
        np.array([np.flatnonzero(patient == p)[i] for p in np.unique(patient) if (patient == p).sum() > 1])
        for i in (0, 1)
    )

    clinics = replicated(found, clinics=200, seed=1)

    # so strong a factor decides alone: relieved at once, or, for as long as anyone looks, not
    at_once = (clinics.ending == 1) & (clinics.sessions == 1)
    assert (at_once[:, first] == at_once[:, second]).mean() > 0.95
    assert at_once.mean() == pytest.approx(0.5, abs=0.02)


def test_incidence_of_many_clinics_is_that_of_each():
    clinics = replicated(posterior(n=200), clinics=100, seed=1)

    many = incidence_of(clinics.sessions, clinics.ending, n_ends=2, horizon=5)

    for r in (0, 50, 99):
        one = aalen_johansen(clinics.sessions[r], clinics.ending[r], n_ends=2, horizon=5)
        np.testing.assert_allclose(many[r], one.incidence, rtol=1e-12)
