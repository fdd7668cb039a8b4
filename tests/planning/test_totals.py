import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats
from scipy.signal import fftconvolve

from retreat.planning.convolution import convolve, poisson_binomial
from retreat.planning.count_logs import Counts
from retreat.planning.totals import mixed_poisson_binomial, mixed_slots

CHANCES = arrays(float, st.integers(0, 40), elements=st.floats(0, 1))


def by_recursion(p):
    return np.stack([poisson_binomial(p[:, :, w]).mean(axis=0) for w in range(p.shape[2])])


def test_convolution_agrees_with_scipy_by_fft():
    rng = np.random.default_rng(1)
    pmfs = [rng.dirichlet(np.ones(rng.integers(2, 60))) for _ in range(40)]
    expected = np.ones(1)
    for pmf in pmfs:
        expected = fftconvolve(expected, pmf)
    np.testing.assert_allclose(convolve(*pmfs), expected, atol=1e-12)


def test_alike_trials_are_binomial():
    found = poisson_binomial(np.full((1, 50), 0.3))[0]
    np.testing.assert_allclose(found, stats.binom.pmf(np.arange(51), 50, 0.3), atol=1e-14)


@given(CHANCES)
def test_a_sum_of_trials_adds_to_one_and_keeps_mean_and_variance(p):
    pmf = poisson_binomial(p)
    k = np.arange(len(pmf))
    mean = pmf @ k
    assert abs(pmf.sum() - 1) < 1e-12
    assert abs(mean - p.sum()) < 1e-10
    assert abs(pmf @ (k - mean) ** 2 - (p * (1 - p)).sum()) < 1e-9


@pytest.mark.parametrize("n", [1, 5, 30, 200])
@pytest.mark.parametrize("top", [0.02, 0.3, 0.6, 1.0])
def test_the_mixture_by_power_sums_agrees_with_the_recursion(n, top):
    p = np.random.default_rng(n).random((30, n, 4)) * top
    np.testing.assert_allclose(mixed_poisson_binomial(p), by_recursion(p), atol=1e-9)


def test_many_small_chances_beside_a_coin_toss_take_the_long_form_and_agree():
    """The logarithm has a pole at 1/2: one case at a half and no other variance is what a polynomial cannot follow."""
    p = np.full((5, 101, 2), 1e-4)
    p[:, 0] = 0.5
    np.testing.assert_allclose(mixed_poisson_binomial(p), by_recursion(p), atol=1e-9)


@settings(max_examples=40, deadline=None)
@given(
    arrays(
        float, st.tuples(st.integers(1, 4), st.integers(0, 25), st.integers(1, 3)), elements=st.floats(0, 1)
    )
)
def test_the_mixture_agrees_with_the_recursion_for_any_chances(p):
    found = mixed_poisson_binomial(p)
    assert (found >= 0).all()
    np.testing.assert_allclose(found, by_recursion(p), atol=1e-7)


@pytest.mark.parametrize(
    ("top", "mean", "size"),
    [
        (0.5, 2.0, 2.0),
        (0.02, 2.0, 5.0),
        (0.9, 20.0, 1.0),
        (0.1, 0.5, 1000.0),
        (0.3, 9.0, 0.3),
        (0.3, 30.0, 1.0),
    ],
)
def test_further_counts_agree_with_convolutions(top, mean, size):
    rng = np.random.default_rng(4)
    draws = 12
    p = rng.random((draws, 40, 2)) * top
    means = rng.random((draws, 4, 2)) * mean
    # two rows of draws; of two groups of further trials one is likely, one not
    like = np.stack([np.full((2, 2), 0.1), np.full((2, 2), 0.45)])
    like[:, 1] -= 0.05
    row = np.arange(draws) * 2 // draws
    single, double = np.full((draws, 2), 3.0), np.full((draws, 2), 0.7)
    counts = Counts(single, double, means, np.full(draws, size), like, np.array([7, 4]), row)
    found = mixed_poisson_binomial(p, counts)
    n = found.shape[1]
    for w in range(2):
        expected = np.zeros(n)
        for d in range(draws):
            some = [stats.nbinom.pmf(np.arange(3001), size, size / (size + m)) for m in means[d, :, w]]
            parts = [
                poisson_binomial(np.r_[p[d, :, w], [like[row[d], 0, w]] * 7, [like[row[d], 1, w]] * 4]),
                stats.poisson.pmf(np.arange(151), 3.0),
                np.kron(stats.poisson.pmf(np.arange(40), 0.7), [1.0, 0.0]),  # each counts for two
            ]
            expected += convolve(*parts, *some)[:n] / draws
        np.testing.assert_allclose(found[w], expected, atol=1e-8)


@pytest.mark.parametrize("top", [0.02, 0.3])  # the short form, and the long one
def test_draws_are_shared_between_laws_of_the_gaps(top):
    """Of 10 draws the first 3 go by one law, the next 3 and the last 4 by others."""
    rng = np.random.default_rng(5)
    stay, use, clock = rng.random((10, 20, 3)), rng.random((3, 2, 3, 4)) * top, rng.integers(0, 2, 20)
    law = np.repeat([0, 1, 2], [3, 3, 4])
    p = np.stack([np.einsum("ij,ijw->iw", stay[d], use[law[d]][clock]) for d in range(10)])
    np.testing.assert_allclose(mixed_slots(stay, clock, use=use), by_recursion(p), atol=1e-9)


def test_no_case_at_all_needs_no_slot():
    assert mixed_poisson_binomial(np.zeros((3, 0, 2))).tolist() == [[1.0], [1.0]]


def test_chances_outside_zero_to_one_are_refused():
    with pytest.raises(ValueError, match=r"\[0, 1\]"):
        poisson_binomial(np.array([0.5, 1.2]))
