"""Counts of 100: largest remainders by hand, ties, and laws that every set of counts obeys."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from retreat.frequencies import counts_of

weights = st.lists(st.integers(0, 10**6), min_size=1, max_size=12).filter(any)
totals = st.sampled_from([1, 7, 100, 1000])


@pytest.mark.parametrize(
    ("shares", "counts"),
    [
        # 47.6, 24.7, 27.7: floors 47 + 24 + 27 = 98; two figures to the remainders .7 and .7
        ((0.476, 0.247, 0.277), [47, 25, 28]),
        # 33.33 thrice: one figure missing, all tied, to the first
        ((1 / 3, 1 / 3, 1 / 3), [34, 33, 33]),
        # 0.4, 0.4, 99.2: the largest remainder is 0.4, the first of two
        ((0.004, 0.004, 0.992), [1, 0, 99]),
        ((1.0, 0.0), [100, 0]),
        ((0.0, 0.0, 1.0), [0, 0, 100]),
    ],
)
def test_missing_figures_go_to_the_largest_remainders(shares: tuple[float, ...], counts: list[int]) -> None:
    assert counts_of(shares).tolist() == counts


def test_a_tie_goes_to_the_earlier_state_although_floats_differ_in_the_last_digit() -> None:
    # 0.145 x 100 is 14.499999999999998 in floats, 0.345 x 100 is 34.5: both remainders are a half
    assert counts_of([0.145, 0.345, 0.51]).tolist() == [15, 34, 51]


def test_a_whole_share_is_not_rounded_down_for_its_last_digit() -> None:
    # 0.29 x 100 is 28.999999999999996 in floats
    assert counts_of([0.29, 0.565, 0.145]).tolist() == [29, 57, 14]


def test_shares_that_sum_to_1_nearly_still_fill_a_large_total() -> None:
    assert counts_of([0.5 + 9e-7, 0.5], total=10_000_000).sum() == 10_000_000


@given(weights, totals)
@settings(max_examples=100, deadline=None)
def test_counts_sum_to_the_total_and_stay_within_one_of_the_share(parts: list[int], total: int) -> None:
    exact = [part * total / sum(parts) for part in parts]
    counts = counts_of(np.array(parts) / sum(parts), total=total)
    assert counts.sum() == total
    assert counts.min() >= 0
    assert np.abs(counts - exact).max() < 1 + 1e-9


@given(weights)
@settings(max_examples=100, deadline=None)
def test_a_larger_share_never_gets_fewer_figures(parts: list[int]) -> None:
    ordered = sorted(parts, reverse=True)
    assert np.all(np.diff(counts_of(np.array(ordered) / sum(ordered))) <= 0)


def test_rows_of_a_batch_are_counted_one_by_one() -> None:
    shares = np.random.default_rng(1).dirichlet(np.ones(4), size=(3, 5))
    counts = counts_of(shares)
    assert all(counts[i, j].tolist() == counts_of(shares[i, j]).tolist() for i in range(3) for j in range(5))


@pytest.mark.parametrize("shares", [[0.5, 0.6], [0.5, 0.4], [], [0.0, 0.0]])
def test_shares_that_do_not_sum_to_1_are_refused(shares: list[float]) -> None:
    with pytest.raises(ValueError, match="must sum to 1"):
        counts_of(shares)


@pytest.mark.parametrize("shares", [[1.1, -0.1], [np.nan, 1.0], [np.inf, 0.0]])
def test_shares_that_are_negative_or_not_finite_are_refused(shares: list[float]) -> None:
    with pytest.raises(ValueError, match="finite and not negative"):
        counts_of(shares)


def test_a_total_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="total 0 is below 1"):
        counts_of([1.0], total=0)
