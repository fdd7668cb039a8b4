"""Priors matched to answers: gradient, conjugate cases by hand, and the number of eyes in mind."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from answered import CODING, CORE, told_by, widened
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from retreat.definitions import Definition, read_definition
from retreat.elicitation.answers import checked_answers, questions_for
from retreat.elicitation.effective import effective_cases
from retreat.elicitation.elicited import elicit
from retreat.elicitation.eyes import SHOWN, Eye
from retreat.elicitation.matching import match, share_by, task
from retreat.errors import FitError
from retreat.fitting.prior_draws import stated_coding

COEFFICIENTS = CORE.coefficient_priors(CODING)[0]
FIRST = CORE.first_session_priors()[0]


def bare(sd: float = 10.0) -> Definition:
    """One end, one session, no terms: a share with a normal prior on its log odds."""
    return widened(replace(read_definition("second_session"), terms=(), entries=(), likeness={}), sd)


def answered(definition: Definition, *counts: float):
    eyes = tuple(Eye(f"eye {i}", {}) for i in range(len(counts)))
    return checked_answers(
        eyes, np.array(counts, dtype=float)[:, None], definition, stated_coding(definition)
    )


@pytest.mark.parametrize("question", range(4))
def test_the_gradient_of_a_share_is_its_derivative(question: int) -> None:
    work = task(told_by(FIRST, COEFFICIENTS), CORE, CODING)
    asked = questions_for(CORE)[question]
    at = work.mean + np.linspace(-0.5, 0.5, len(work.mean))
    _, gradient = share_by(work, at, asked)
    small = 1e-6
    for p in range(len(at)):
        step = small * (np.arange(len(at)) == p)
        slope = (share_by(work, at + step, asked)[0] - share_by(work, at - step, asked)[0]) / (2 * small)
        np.testing.assert_allclose(gradient[:, p], slope, atol=1e-9)


@given(st.floats(5, 95), st.floats(1, 100))
def test_one_share_asked_twice_is_the_conjugate_beta(share: float, m: float) -> None:
    definition = bare(sd=10.0)
    work = task(answered(definition, share, share), definition, stated_coding(definition))
    found = match(work, in_mind=m)

    # twice m eyes: beta(2 m p, 2 m (1 - p)), whose log odds have the score 2 m (share - p) and the information
    # 2 m p (1 - p); the normal prior of spread 10 pulls by a hundredth of the log odds and adds a hundredth
    p = 1.0 / (1.0 + np.exp(-found.centre[0]))
    assert 2 * m * (share / 100 - p) == pytest.approx(found.centre[0] / 100, abs=1e-9)
    assert 1.0 / found.covariance[0, 0] == pytest.approx(2 * m * p * (1 - p) + 0.01, rel=1e-9)
    assert effective_cases(p, found.covariance[0, 0]) == pytest.approx(2 * m + 0.01 / (p * (1 - p)), rel=1e-9)


@given(st.floats(0.1, 200), st.floats(0.1, 200))
def test_a_beta_prior_is_worth_the_sum_of_its_parameters(a: float, b: float) -> None:
    assert effective_cases(a / (a + b), (a + b) / (a * b)) == pytest.approx(a + b)


def test_answers_as_the_prior_would_give_leave_its_means_where_they_are() -> None:
    work = task(told_by(FIRST, COEFFICIENTS), CORE, CODING)

    np.testing.assert_allclose(match(work, in_mind=20).centre, work.mean, atol=1e-9)


@given(arrays(float, 16, elements=st.floats(-0.8, 0.8)))
def test_a_known_mean_comes_back_where_the_prior_before_is_wide(away: np.ndarray) -> None:
    first, coefficients = FIRST + away[:2], COEFFICIENTS + away[2:].reshape(2, 7)
    wide = widened(CORE)
    work = task(told_by(first, coefficients, CORE), wide, CODING)
    found = match(work, in_mind=100.0)

    # what pulls is a prior of spread 10 around 0 against 100 eyes an answer
    np.testing.assert_allclose(found.centre[:2], first, atol=0.1)
    np.testing.assert_allclose(found.centre[2:16].reshape(2, 7), coefficients, atol=0.25)


@given(arrays(float, 16, elements=st.floats(-0.8, 0.8)), st.floats(1, 40))
def test_more_eyes_in_mind_draw_the_shares_nearer_to_the_answers(away: np.ndarray, m: float) -> None:
    answers = told_by(FIRST + away[:2], COEFFICIENTS + away[2:].reshape(2, 7))
    work = task(answers, CORE, CODING)

    def misfit(in_mind: float) -> float:
        p = [
            c @ o for c, o in zip(work.cells, _shares(work, match(work, in_mind=in_mind).centre), strict=True)
        ]
        # Kullback-Leibler distance: what more eyes weigh more
        return sum(float(t @ np.log(np.maximum(t, 1e-12) / q)) for t, q in zip(work.told, p, strict=True))

    assert misfit(2 * m) <= misfit(m) + 1e-9


def _shares(work, parameters):
    from retreat.elicitation.matching import _outcomes

    return _outcomes(work, parameters)[0]


def test_answers_at_odds_with_each_other_are_worth_fewer_eyes() -> None:
    # the same eye six times, said by one who has n eyes in mind: the counts scatter as binomial counts do
    definition = bare()
    coding = stated_coding(definition)
    rng = np.random.default_rng(3)
    estimates = []
    for _ in range(40):
        counts = 100 * rng.binomial(8, 0.5, 12) / 8
        estimates.append(match(task(answered(definition, *counts), definition, coding), in_mind=None).in_mind)
    steady = match(task(answered(definition, *[50.0, 51.0] * 6), definition, coding), in_mind=None)

    # 11 degrees of freedom: the estimate is 8 times 11 over a chi-square, its median about 8 x 11 / 10.3
    assert np.median(estimates) == pytest.approx(8.5, abs=2.0)
    assert steady.in_mind == 20.0
    assert "unless you say so" in steady.source


@pytest.mark.parametrize("n", [2, 8])
def test_the_same_answer_for_every_eye_is_one_answer_shared_out(n: int) -> None:
    definition = bare()
    found = match(
        task(answered(definition, *[50.0] * n), definition, stated_coding(definition)), in_mind=None
    )

    assert found.in_mind * n == pytest.approx(10.0)
    assert "one answer" in found.source


def test_too_few_answers_to_tell_the_number_of_eyes_say_so() -> None:
    definition = bare()
    found = match(task(answered(definition, 30, 70), definition, stated_coding(definition)), in_mind=None)

    assert (found.in_mind, "too few answers" in found.source) == (10.0, True)


@pytest.mark.parametrize("m", [0.0, -1.0, 100.5, np.nan])
def test_a_number_of_eyes_out_of_range_is_refused(m: float) -> None:
    with pytest.raises(FitError, match="eyes_in_mind"):
        match(task(told_by(FIRST, COEFFICIENTS), CORE, CODING), in_mind=m)


def test_definitions_that_cannot_hold_answers_are_refused() -> None:
    answers = told_by(FIRST, COEFFICIENTS)
    free = replace(CORE, sessions=CORE.sessions.model_copy(update={"effect": "free"}))

    with pytest.raises(FitError, match="link: cloglog"):
        task(answers, replace(CORE, link="cloglog"), CODING)
    with pytest.raises(FitError, match="no level in common"):
        task(answers, free, CODING)
    with pytest.raises(FitError, match="as studies beside its priors"):
        elicit(answers, "published", seed=1)


def test_answers_of_0_and_100_are_taken() -> None:
    counts = np.array([[0, 0, 0, 0], [100, 100, 100, 0], [0, 0, 1, 99.0]])
    answers = checked_answers(SHOWN[:3], counts, CORE, CODING)
    found = match(task(answers, CORE, CODING), in_mind=20)

    assert np.isfinite(found.centre).all()
    assert (np.diag(found.covariance) > 0).all()
