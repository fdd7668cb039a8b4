"""Importance sampling under a standard normal prior, its proposal learned in a few rounds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

MAX_PARETO_K = 0.7  # Vehtari et al. 2024
MIN_ESS = 400.0  # as for the chains of the other route
# share of the proposal that is the prior itself: no weight is then beyond what the likelihood alone would give
_FROM_PRIOR = 0.1
# the learned normal is this much wider than what was seen, so that its tails cover
_WIDER = 1.15
_ROUNDS, _ROUND_DRAWS, _LEAST_SHARE = 4, 5000, 0.15


@dataclass(frozen=True)
class Weighted:
    """Draws with their smoothed weights.

    Parameters
    ----------
    z : ndarray of float, shape (draws, dimension)
        Draws of the proposal.
    weights : ndarray of float, shape (draws,)
        Adding to 1.
    pareto_k : float
        Shape of the tail of the weights; at most 0.7.
    """

    z: FloatArray
    weights: FloatArray
    pareto_k: float

    @property
    def ess(self) -> float:
        """Effective number of draws, 1 over the sum of squared weights."""
        return float(1.0 / (self.weights**2).sum())

    @property
    def failures(self) -> tuple[str, ...]:
        """Failed checks in words; empty for draws that may be used. A NaN fails."""
        found = []
        if not self.pareto_k <= MAX_PARETO_K:
            found.append(f"Pareto k is {self.pareto_k:.2f}, more than {MAX_PARETO_K}: a few draws decide")
        if not self.ess >= MIN_ESS:
            found.append(f"effective draws are {self.ess:.0f}, fewer than {MIN_ESS:.0f}")
        return tuple(found)

    def resampled(self, draws: int, rng: np.random.Generator) -> FloatArray:
        """So many of the draws, each as often as it weighs, in random order; shape (draws, dimension).

        Systematic resampling (Kitagawa 1996, from memory).
        """
        points = (rng.random() + np.arange(draws)) / draws
        chosen = np.minimum(np.searchsorted(np.cumsum(self.weights), points), len(self.weights) - 1)
        return np.asarray(self.z[rng.permutation(chosen)])


def sample(
    log_likelihood: Callable[[FloatArray], FloatArray],
    dimension: int,
    *,
    draws: int,
    rng: np.random.Generator,
) -> Weighted:
    """Posterior under independent standard normal priors, by importance sampling.

    The proposal is a normal with the mean and covariance of the draws so far, mixed with the prior. Each round
    takes the likelihood to the power, up to 1, that leaves 15% of the draws effective, so that a sharp
    likelihood is come near by steps. The last weights are Pareto smoothed (Vehtari, Simpson, Gelman, Yao and
    Gabry 2024).

    Parameters
    ----------
    log_likelihood : callable
        From draws, shape (draws, dimension), to their log likelihoods, shape (draws,).
    dimension : int
        How many unknowns.
    draws : int
        Draws of the last round.
    rng : numpy.random.Generator
        Source of randomness.

    Examples
    --------
    One measurement of 2 with error 1 under a standard normal prior: mean 1, variance a half.

    >>> found = sample(lambda z: -0.5 * (z[:, 0] - 2) ** 2, 1, draws=20_000, rng=np.random.default_rng(1))
    >>> z = found.resampled(20_000, np.random.default_rng(2))
    >>> round(float(z.mean()), 1), round(float(z.var()), 1)
    (1.0, 0.5)
    """
    mean, root = np.zeros(dimension), np.eye(dimension)
    for _ in range(_ROUNDS):
        z, ratio = proposed(mean, root, _ROUND_DRAWS, rng)
        weights = _tempered(log_likelihood(z), ratio)
        mean = weights @ z
        away = z - mean
        covariance = (away * weights[:, None]).T @ away
        # draws towards the prior's own variance, as many as there are unknowns: few draws know no covariance
        held = dimension / (dimension + 1.0 / (weights**2).sum())
        root = np.linalg.cholesky((1.0 - held) * covariance + held * np.eye(dimension)) * np.sqrt(_WIDER)
    z, ratio = proposed(mean, root, draws, rng)
    log_weights, pareto_k = _smoothed(log_likelihood(z) + ratio)
    weights = np.exp(log_weights - log_weights.max())
    return Weighted(z, weights / weights.sum(), pareto_k)


def _smoothed(log_weights: FloatArray) -> tuple[FloatArray, float]:
    """Pareto smoothed log weights and the shape of their tail."""
    import arviz_stats.base.array as arviz_arrays  # heavy: only whoever fits pays for it

    smooth: Callable[[FloatArray], tuple[FloatArray, float]] = arviz_arrays.array_stats.psislw
    found, pareto_k = smooth(-log_weights)  # it takes the log of what is to be divided by
    return found, float(pareto_k)


def proposed(
    mean: FloatArray, root: FloatArray, draws: int, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Draws of the proposal, and the log of prior over proposal density."""
    own = rng.standard_normal((draws, len(mean)))
    prior = rng.random(draws) < _FROM_PRIOR
    z = np.where(prior[:, None], own, mean + own @ root.T)
    standard = np.linalg.solve(root, (z - mean).T)  # (dimension, draws)
    log_prior = -0.5 * (z**2).sum(axis=1)
    log_learned = -0.5 * (standard**2).sum(axis=0) - np.log(np.diag(root)).sum()
    mixed = np.logaddexp(np.log(_FROM_PRIOR) + log_prior, np.log1p(-_FROM_PRIOR) + log_learned)
    return z, log_prior - mixed


def _tempered(log_likelihood: FloatArray, ratio: FloatArray) -> FloatArray:
    """Weights with the largest power of the likelihood, up to 1, that leaves enough draws effective."""

    def weights(power: float) -> FloatArray:
        log_weight = power * log_likelihood + ratio
        out = np.exp(log_weight - log_weight.max())
        return np.asarray(out / out.sum())

    low, high = 0.0, 1.0
    least = _LEAST_SHARE * len(ratio)
    if 1.0 / (weights(1.0) ** 2).sum() >= least:
        return weights(1.0)
    for _ in range(20):
        middle = 0.5 * (low + high)
        enough = 1.0 / (weights(middle) ** 2).sum() >= least
        low, high = (middle, high) if enough else (low, middle)
    return weights(low)
