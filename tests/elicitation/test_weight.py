"""How many cases answers weigh in all: as many as were seen, and held back without touching what may not change."""

from __future__ import annotations

import numpy as np
import pytest
from answered import widened
from hypothesis import given
from hypothesis import strategies as st

from retreat.definitions import read_definition
from retreat.elicitation.answers import checked_answers, questions_for
from retreat.elicitation.eyes import eyes_to_ask
from retreat.elicitation.matching import match, task
from retreat.elicitation.weight import by_eye, held_back, in_all
from retreat.fitting.prior_draws import stated_coding

PLAIN = widened(read_definition("second_session"), 10.0)
CODING = stated_coding(PLAIN)
EYES = eyes_to_ask(PLAIN)
(FIRST,) = questions_for(PLAIN)
WORK = task(checked_answers(EYES, np.linspace(30, 70, len(EYES))[:, None], PLAIN, CODING), PLAIN, CODING)


@pytest.mark.parametrize("m", [5.0, 20.0])
def test_a_prior_of_m_eyes_of_each_kind_is_worth_all_of_them(m: float) -> None:
    """The prior before is worth next to nothing, so that the information is that of the eyes seen alone."""
    found = match(WORK, in_mind=m)
    from retreat.elicitation.matching import share_by

    share, gradient = share_by(WORK, found.centre, FIRST)
    slope = gradient / (share * (1 - share))[:, None]
    together = np.einsum("np,pq,nq->n", slope, found.covariance, slope)
    by_kind = 1.0 / (together * share * (1.0 - share))

    assert in_all(WORK, by_kind) == pytest.approx(m * len(EYES), rel=0.05)


@given(st.floats(0.5, 300.0))
def test_what_is_held_back_weighs_what_it_may_and_never_gains(most: float) -> None:
    found = match(WORK, in_mind=20.0)
    variance = np.diag(found.covariance)
    free = np.arange(len(variance)) != 2

    held = held_back(WORK, FIRST, found.centre, variance, free, most)

    before, after = (in_all(WORK, by_eye(WORK, FIRST, found.centre, v)) for v in (variance, held))
    assert after == pytest.approx(min(before, most), rel=1e-6)
    assert (held >= variance * (1 - 1e-12)).all()
    assert held[2] == variance[2]
