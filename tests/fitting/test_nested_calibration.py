"""Simulation-based calibration of the fast posterior, small: true values rank evenly among its draws."""

import numpy as np
import pytest

from reports.recovery_posterior import evenness, is_even, replications

N, BINS = 60, 5


@pytest.fixture(scope="module")
def found():
    return replications("core", n=N, n_cases=60)


@pytest.mark.slow
def test_true_values_rank_evenly(found):
    """Chi-square on 5 bins and cumulative counts, each at 0.01 for all 30 quantities together."""
    table = evenness(found, bins=BINS)
    assert len(table) == 30
    assert is_even(table)


@pytest.mark.slow
def test_a_surer_posterior_is_noticed(found):
    """Draws pulled to their mean by two fifths."""
    table = evenness(found, which="sure", bins=BINS)
    assert not is_even(table)


@pytest.mark.slow
def test_few_clinics_are_refused_and_each_says_why(found):
    refused = [one["refused"] for one in found if "refused" in one]
    assert len(refused) <= N // 5
    assert all("k-hat" in why or "no top" in why for why in refused)


def test_even_ranks_pass_and_uneven_ones_do_not():
    rng = np.random.default_rng(1)
    even = [{"ranks": {"x": int(rank)}} for rank in rng.integers(0, 100, 500)]
    low = [{"ranks": {"x": int(rank)}} for rank in rng.integers(0, 100, 500) ** 2 // 100]
    assert is_even(evenness(even))
    assert not is_even(evenness(low))
