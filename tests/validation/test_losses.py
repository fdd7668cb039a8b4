"""Sensitivity to loss: bounds, the identity with Aalen-Johansen, by hand."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from retreat import validation
from retreat.validation._checked import courses
from retreat.validation.losses import loss_sensitivity

CASES = st.lists(st.tuples(st.integers(1, 5), st.integers(0, 2)), min_size=4, max_size=60)


def rows_of(cases, horizon=3, end=1):
    sessions, ending = ([case[i] for case in cases] for i in (0, 1))
    seen = courses(sessions, ending, n_ends=2)
    return seen, loss_sensitivity(np.full(len(cases), 0.4), seen, end=end, horizon=horizon)


@given(CASES)
def test_shift_1_is_aalen_and_johansens_estimate_and_shifts_are_in_order(cases):
    seen, rows = rows_of(cases)
    found = {row.assumption: row.observed for row in rows}
    estimate = validation.aalen_johansen(seen.sessions, seen.ending, n_ends=2, horizon=3)
    if not estimate.reason:
        assert found["odds x 1"] == pytest.approx(estimate.incidence[0, 2], abs=1e-9)
        in_order = [found[name] for name in ("none", "odds x 0.5", "odds x 1", "odds x 2", "all")]
        assert all(a <= b + 1e-12 for a, b in pairwise(in_order))


def test_the_bounds_by_hand():
    # ten eyes: three relieved by session 3, two lost before it, the others followed
    cases = [(1, 1), (2, 1), (3, 1), (1, 0), (2, 0), (3, 0), (4, 1), (2, 2), (5, 0), (3, 2)]
    _, rows = rows_of(cases)
    assert (rows[0].observed, rows[-1].observed) == (0.3, 0.5)
    assert {row.n_lost for row in rows} == {2}
    assert rows[0].observed_expected == pytest.approx(0.75)


def test_without_losses_all_assumptions_agree():
    _, rows = rows_of([(1, 1), (2, 2), (3, 0), (4, 0), (3, 1)])
    assert len({round(row.observed, 12) for row in rows}) == 1
    assert rows[0].n_lost == 0
