"""Counts besides single trials, and logarithms of characteristic functions as polynomials of chances."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

# powers of the chances kept for the logarithm of the characteristic function
POWERS = 12
# largest error of a chance that the short form may bring; the long one is exact to rounding
TOLERANCE = 1e-8
# powers for negative binomial counts, by the largest v = mean / (mean + size)
_GAMMA_GROUPS = ((0.5, 16), (0.8, 24), (0.92, 40), (0.975, 72))


@dataclass(frozen=True)
class Counts:
    """Independent parts of a week's total besides the single trials; all given the draw.

    Parameters
    ----------
    poisson : ndarray of float, shape (draws, weeks)
        Mean of a Poisson count.
    pairs : ndarray of float, shape (draws, weeks)
        Mean of another, each of which counts for two.
    gamma_means : ndarray of float, shape (draws, terms, weeks)
        Means of independent negative binomial counts that share a size; no terms for none.
    gamma_size : ndarray of float, shape (draws,)
        Their size.
    like : ndarray of float, shape (rows, groups, weeks)
        Chance of each of the further trials of a group, all alike.
    n_like : ndarray of int, shape (groups,)
        How many trials a group has.
    row : ndarray of int, shape (draws,)
        Row of `like` that each draw goes by.
    """

    poisson: FloatArray
    pairs: FloatArray
    gamma_means: FloatArray
    gamma_size: FloatArray
    like: FloatArray
    n_like: NDArray[np.int64]
    row: NDArray[np.intp]

    @classmethod
    def none(cls, draws: int, weeks: int) -> Counts:
        """Nothing besides the trials."""
        nothing, nobody = np.zeros((draws, 0, weeks)), np.zeros(0, dtype=np.int64)
        row = np.zeros(draws, dtype=np.intp)
        zeros = np.zeros((draws, weeks))
        return cls(zeros, zeros, nothing, np.ones(draws), nothing[:1], nobody, row)

    @property
    def mean(self) -> FloatArray:
        """Mean count, shape (draws, weeks)."""
        alike = np.einsum("g,rgw->rw", self.n_like, self.like)[self.row]
        return np.asarray(self.poisson + 2 * self.pairs + self.gamma_means.sum(axis=1) + alike)

    @property
    def n_trials(self) -> int:
        """Further trials altogether."""
        return int(self.n_like.sum())

    def largest(self) -> FloatArray:
        """Largest chance of a further trial in each week, shape (weeks,)."""
        return np.asarray(self.like.max(axis=(0, 1), initial=0.0))


def bound_of_gamma(counts: Counts, w: int, angle: FloatArray) -> FloatArray:
    """Bound on the characteristic function of a week's negative binomial counts: it falls with mean and size."""
    least = counts.gamma_means[:, :, w].min(axis=0)
    size = float(counts.gamma_size.min())
    share = least[least > 0, None] / size
    return np.asarray(
        np.exp(-size / 2 * np.log1p(2 * share * (1 + share) * (1.0 - np.cos(angle))).sum(axis=0))
    )


def _polynomial(
    function: Callable[[FloatArray], ComplexArray], top: float, powers: int
) -> tuple[ComplexArray, FloatArray]:
    """Chebyshev coefficients in x = 2 p / top - 1 of functions of p on [0, top], and their largest errors.

    Parameters
    ----------
    function : callable
        From p, shape (points,), to values, shape (points, functions).
    top : float
        Upper end.
    powers : int
        Degree.

    Returns
    -------
    ndarray of complex, shape (powers + 1, functions)
    ndarray of float, shape (functions,)
        Infinite where the function is.
    """
    k = np.arange(powers + 1)
    nodes = np.cos(np.pi * (k + 0.5) / (powers + 1))
    between = np.cos(np.pi * np.arange(3 * powers + 1) / (3 * powers))
    with np.errstate(divide="ignore", invalid="ignore"):
        values = function(top * (np.r_[nodes, between] + 1) / 2)
        basis = np.cos(k[:, None] * np.arccos(nodes)[None, :])
        chebyshev = 2.0 / (powers + 1) * basis @ values[: powers + 1]
        chebyshev[0] /= 2
        error = np.abs(np.cos(np.outer(np.arccos(between), k)) @ chebyshev - values[powers + 1 :]).max(axis=0)
        return chebyshev, np.where(np.isfinite(error), error, np.inf)


@cache
def _monomials(powers: int) -> FloatArray:
    """Chebyshev polynomials in powers of x, one a row."""
    rows = np.zeros((powers + 1, powers + 1))
    rows[0, 0] = 1.0
    if powers:
        rows[1, 1] = 1.0
    for k in range(2, powers + 1):
        rows[k, 1:] = 2 * rows[k - 1, :-1]
        rows[k] -= rows[k - 2]
    return rows


def of_trials(z: ComplexArray, top: float) -> tuple[ComplexArray, FloatArray]:
    """Coefficients in powers of x, and errors, of the logarithm for a trial of chance p."""
    chebyshev, error = _polynomial(lambda p: np.log1p(p[:, None] * (z - 1.0)[None, :]), top, POWERS)
    return _monomials(POWERS).T @ chebyshev, error


def log_of_counts(z: ComplexArray, w: int, counts: Counts, bound: FloatArray) -> FloatArray | None:
    """Logarithm of the characteristic function of a week's Poisson and negative binomial counts.

    A negative binomial of mean m and size r has, with v = m / (m + r), minus r times log(1 - v z) - log(1 - v); the
    logarithm is a polynomial in v, so that several of one size need the power sums of their v alone. Draws are taken
    by their largest v; past 0.975 term by term.

    Returns
    -------
    ndarray of float, shape (draws, 2 z), or None
        Real and imaginary parts side by side; None where there are no such counts.
    """
    means = counts.gamma_means[:, :, w]
    means = means[:, means.any(axis=0)]
    poisson = counts.poisson[:, w]
    pairs = counts.pairs[:, w]
    if not means.shape[1] and not poisson.any() and not pairs.any():
        return None
    out = poisson[:, None] * side_by_side(z - 1.0)
    if pairs.any():
        out += pairs[:, None] * side_by_side(z * z - 1.0)
    if not means.shape[1]:
        return out
    v = means / (means + counts.gamma_size[:, None])
    largest = v.max(axis=1)
    low = -1.0
    for high, powers in _GAMMA_GROUPS:
        here = np.flatnonzero((largest > low) & (largest <= high))
        low = high
        if len(here):
            out[here] += _log_of_gamma(z, v[here], counts.gamma_size[here, None], powers, bound)
    for d in np.flatnonzero(largest > low):
        out[d] += side_by_side(-counts.gamma_size[d] * _log_terms(z, v[d]))
    return out


def _log_of_gamma(
    z: ComplexArray, v: FloatArray, size: FloatArray, powers: int, bound: FloatArray
) -> FloatArray:
    top = max(float(v.max()), 1e-6)
    coefficients, error = _polynomial(lambda p: np.log1p(-p[:, None] * z[None, :]), top, powers)
    if (error * bound).max() * v.shape[1] * float(size.max()) > TOLERANCE:
        return np.stack([side_by_side(-r * _log_terms(z, one)) for r, one in zip(size[:, 0], v, strict=True)])
    sums = np.empty((len(v), powers + 2))
    x = v.T * (2.0 / top) - 1.0
    before, here = x, np.ones_like(x)
    for k in range(powers + 1):  # the recurrence keeps its digits where powers of x would lose them
        sums[:, k] = here.sum(axis=0)
        before, here = here, 2 * x * here - before
    sums[:, -1] = -np.log1p(-v).sum(axis=1)
    rows = np.concatenate([coefficients, np.ones((1, len(z)))])
    return np.asarray((-size * sums) @ side_by_side(rows))


def _log_terms(z: ComplexArray, v: FloatArray) -> ComplexArray:
    return np.asarray((np.log1p(-v[:, None] * z) - np.log1p(-v)[:, None]).sum(axis=0))


def side_by_side(values: ComplexArray) -> FloatArray:
    """Real and imaginary parts along the last axis, for real products."""
    return np.concatenate([values.real, values.imag], axis=-1)
