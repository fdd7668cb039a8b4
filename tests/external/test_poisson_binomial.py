"""Sums of unlike trials and of session counts against exact fractions.

Values in data/poisson_binomial.csv: made in exact rational arithmetic (Python's fractions), the trials checked there
against all 64 outcomes and fast-poibin 0.4.3 to 1e-13. Session counts: three eyes of type A (hazard 1/2 at each
session), four of B (1/5, 3/10, 2/5), two of C (1/10, 1/4, 1/4), cut at four sessions.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from retreat.planning.demand import quantile
from retreat.planning.span_totals import Span, mixed_total
from retreat.planning.totals import convolve, mixed_poisson_binomial, poisson_binomial

TABLE = pd.read_csv(Path(__file__).parent / "data" / "poisson_binomial.csv")
TRIALS = np.array([0.1, 0.4, 0.5, 0.7, 0.9, 0.15])
HAZARDS = {"A": (1 / 2, 1 / 2, 1 / 2), "B": (1 / 5, 3 / 10, 2 / 5), "C": (1 / 10, 1 / 4, 1 / 4)}
EYES = {"A": 3, "B": 4, "C": 2}


def values(quantity):
    rows = TABLE[TABLE.quantity == quantity]
    return rows.at_value.to_numpy(), rows.value.to_numpy()


def sessions(kind):
    """Distribution of 0 to 4 sessions; the rest of the courses is cut at four."""
    going = np.cumprod(1 - np.array(HAZARDS[kind]))
    return np.r_[0.0, -np.diff(np.r_[1.0, going]), going[-1]]


@pytest.mark.parametrize("count", [poisson_binomial, lambda p: mixed_poisson_binomial(p[None, :, None])[0]])
def test_trials_of_unlike_chances(count):
    at, expected = values("trials")
    np.testing.assert_allclose(count(TRIALS)[at.astype(int)], expected, atol=1e-12)


def test_mean_and_variance_of_the_trials():
    pmf = poisson_binomial(TRIALS)
    k = np.arange(7)
    assert pmf @ k == pytest.approx(values("mean of trials")[1][0], abs=1e-12)
    assert pmf @ (k - pmf @ k) ** 2 == pytest.approx(values("variance of trials")[1][0], abs=1e-12)


def by_convolution():
    return convolve(*[sessions(kind) for kind, n in EYES.items() for _ in range(n)])


def by_generating_function():
    """The same eyes as open cases that use one slot a session; four draws alike."""
    kinds = [kind for kind, n in EYES.items() for _ in range(n)]
    tail = np.array([1 - np.cumsum(sessions(kind))[:4] for kind in kinds])  # (eyes, at least 1, 2, 3, 4)
    none = np.zeros(0, dtype=np.int64)
    span = Span(
        np.broadcast_to(tail, (4, 9, 4)), np.zeros(9, dtype=np.intp), np.eye(4)[None], np.zeros((1, 4, 1)),
        np.zeros((4, 1)), np.zeros((1, 1)), np.zeros((1, 0, 1)), none, np.zeros(4, dtype=np.intp), np.full(4, np.inf),
    )  # fmt: skip
    return mixed_total(span)


@pytest.mark.parametrize("made", [by_convolution, by_generating_function])
def test_total_sessions_of_nine_eyes(made):
    pmf = made()
    k = np.arange(len(pmf))
    at, expected = values("total at most")
    # 1e-10: the support of the generating function leaves out a tail of e^-25
    np.testing.assert_allclose(np.cumsum(pmf)[at.astype(int)], expected, atol=1e-10)
    assert pmf @ k == pytest.approx(values("mean of total")[1][0], abs=1e-9)
    assert pmf @ (k - pmf @ k) ** 2 == pytest.approx(values("variance of total")[1][0], abs=1e-8)
    for share, slots in zip(*values("slots to reserve"), strict=True):
        assert quantile(pmf, share) == slots
