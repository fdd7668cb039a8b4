"""Exact distributions of sums of independent counts, and their mixture over draws of the parameters."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

# values of a count up to which its transform is a sum over them
_FEW_VALUES = 64
# powers of the chances kept for the logarithm of the characteristic function
_POWERS = 12
# largest error of a chance that the short form may bring; the long one is exact to rounding
_TOLERANCE = 1e-8
# frequencies at which the characteristic function is surely smaller are 0
_NEGLIGIBLE = 1e-12
# chances up to here are summed by powers; larger ones one by one where powers do not serve
_SMALL = 0.3
# powers for negative binomial counts, by the largest v = mean / (mean + size)
_GAMMA_GROUPS = ((0.5, 16), (0.8, 24), (0.92, 40))
# draws of one block of the working arrays: about 1.5 MB each for 200 cases and 26 weeks
_BLOCK_VALUES = 200_000


def poisson_binomial(p: FloatArray) -> FloatArray:
    """Chance of exactly n successes in independent trials of unlike chances.

    Parameters
    ----------
    p : ndarray of float, shape (..., trials), in [0, 1]
        Chance of each trial; leading axes are separate sums.

    Returns
    -------
    ndarray of float, shape (..., trials + 1)
        Adds to 1. By the recursion over trials, all of whose terms are positive, so that tails keep their
        digits (Barlow and Heidtmann 1984, from memory).

    Raises
    ------
    ValueError
        If a chance is not in [0, 1].

    Examples
    --------
    >>> poisson_binomial(np.array([0.5, 0.5])).tolist()
    [0.25, 0.5, 0.25]
    """
    p = np.asarray(p, dtype=float)
    if not ((p >= 0) & (p <= 1)).all():
        raise ValueError("chances must lie in [0, 1]")
    n = p.shape[-1]
    out = np.zeros((n + 1, *p.shape[:-1]))  # (trials + 1, ...): the axis that moves comes first
    out[0] = 1.0
    for i in range(n):
        one = p[..., i]
        moved = out[: i + 1] * one
        out[: i + 1] -= moved
        out[1 : i + 2] += moved
    return np.clip(np.moveaxis(out, 0, -1), 0.0, 1.0)


def convolve(*pmfs: FloatArray) -> FloatArray:
    """Distribution of the sum of independent counts.

    Parameters
    ----------
    *pmfs : ndarray of float, shape (counts,)
        Chance of each count from 0.

    Returns
    -------
    ndarray of float
        Of length 1 more than the sum of the largest counts.

    Examples
    --------
    >>> convolve(np.array([0.5, 0.5]), np.array([0.0, 1.0])).tolist()
    [0.0, 0.5, 0.5]
    """
    if not pmfs:
        return np.ones(1)
    size = sum(len(pmf) - 1 for pmf in pmfs) + 1
    if size <= 64:
        out = np.ones(1)
        for pmf in pmfs:
            out = np.convolve(out, pmf)
        return out
    groups = _by_length(pmfs)
    kept = min(size, max(_kept(groups, size), *(members.shape[1] for members in groups), 1))
    out = np.zeros(size)
    out[:kept] = _inverse(_product_of(groups, kept), kept)
    return out


def _product_of(groups: Sequence[FloatArray], size: int) -> ComplexArray:
    """Product of the transforms at the frequencies 0 to a half; 0 where it is surely below e^-37.

    With p and q the chances of two values d apart, the squared size of a transform is 1 less the sum over pairs of
    2 p q (1 - cos(d t)), so that the exponential of minus the sum over all counts bounds the product.
    """
    if max(members.shape[1] for members in groups) > _FEW_VALUES:
        products = [np.fft.rfft(members, size, axis=1).prod(axis=0) for members in groups]
        return np.asarray(np.prod(products, axis=0))
    angle = 2 * np.pi * np.arange(size // 2 + 1) / size
    lost = np.zeros(len(angle))
    for members in groups:
        together = members.T @ members
        apart = np.array([np.trace(together, offset=d) for d in range(1, len(together))])
        lost += apart.sum() - apart @ np.cos(np.outer(np.arange(1, len(together)), angle))
    near = lost < 37.0
    whole = np.zeros(len(angle), dtype=complex)
    whole[near] = 1.0
    n = int(near.sum())
    for members in groups:
        turn = np.outer(np.arange(members.shape[1]), angle[near])
        # one real product for all: of few values, a transform padded to the length of the sum costs more
        both = members @ np.concatenate([np.cos(turn), -np.sin(turn)], axis=1)
        values = both[:, :n] + 1j * both[:, n:]
        while len(values) > 1:
            half = len(values) // 2
            values = np.concatenate([values[:half] * values[half : 2 * half], values[2 * half :]])
        whole[near] *= values[0]
    return whole


def _kept(groups: Sequence[FloatArray], size: int) -> int:
    """Values of the sum beyond which its chance is below e^-37, less than rounding (Chernoff's bound)."""
    rate = np.geomspace(0.01, 4.0, 24)
    rate = rate[rate * max(members.shape[1] for members in groups) < 600]
    if not len(rate):
        return size
    log = np.zeros(len(rate))
    for members in groups:
        log += np.log(members @ np.exp(np.outer(np.arange(members.shape[1]), rate))).sum(axis=0)
    return int(((log + 37.0) / rate).min()) + 2


def _by_length(pmfs: Sequence[FloatArray]) -> list[FloatArray]:
    groups: dict[int, list[FloatArray]] = {}
    for pmf in pmfs:
        groups.setdefault(len(pmf), []).append(pmf)
    return [np.asarray(members, dtype=float) for members in groups.values()]


def thinned_negative_binomial(mean: float, size: float, n: int) -> FloatArray:
    """Chance of 0 to n events of a negative binomial count; thinning keeps its size and scales its mean.

    Parameters
    ----------
    mean : float, at least 0
        Mean after thinning.
    size : float, above 0
        Size (variance = mean + mean^2 / size); infinite is Poisson.
    n : int
        Largest count; the chance beyond it is left out.

    Returns
    -------
    ndarray of float, shape (n + 1,)

    Examples
    --------
    >>> thinned_negative_binomial(1.0, 1.0, 3).tolist()
    [0.5, 0.25, 0.125, 0.0625]
    """
    if mean < 0 or size <= 0:
        raise ValueError("mean must be at least 0 and size above 0")
    k = np.arange(1, n + 1)
    if np.isinf(size):
        steps, start = mean / k, np.exp(-mean)
    else:
        chance = mean / (mean + size)
        steps, start = chance * (size + k - 1) / k, np.exp(-size * np.log1p(mean / size))
    return np.asarray(start * np.r_[1.0, np.cumprod(steps)])


@dataclass(frozen=True)
class Counts:
    """Independent parts of a week's total besides the single trials; all given the draw.

    Parameters
    ----------
    poisson : ndarray of float, shape (draws, weeks)
        Mean of a Poisson count.
    gamma_means : ndarray of float, shape (draws, terms, weeks)
        Means of independent negative binomial counts that share a size; no terms for none.
    gamma_size : ndarray of float, shape (draws,)
        Their size.
    like : ndarray of float, shape (draws, weeks)
        Chance of each of `n_like` further trials, all alike.
    n_like : int
        How many.
    """

    poisson: FloatArray
    gamma_means: FloatArray
    gamma_size: FloatArray
    like: FloatArray
    n_like: int = 0

    @classmethod
    def none(cls, draws: int, weeks: int) -> Counts:
        """Nothing besides the trials."""
        nothing = np.zeros((draws, weeks))
        return cls(nothing, np.zeros((draws, 0, weeks)), np.ones(draws), nothing)

    @property
    def mean(self) -> FloatArray:
        """Mean count, shape (draws, weeks)."""
        return self.poisson + self.gamma_means.sum(axis=1) + self.n_like * self.like


def mixed_poisson_binomial(p: FloatArray, counts: Counts | None = None) -> FloatArray:
    """Distribution of each week's total, mixed over draws.

    Given a draw the trials are independent, so the characteristic function is a product over cases. Its logarithm
    is a sum over cases of one smooth function of the chance, so that a Chebyshev polynomial in the chance turns
    the product into the power sums of the chances: one pass over them for all frequencies. Frequencies at which
    the bound exp(-variance (1 - cos t)) is negligible are left out. The polynomial is checked against the
    logarithm; where its error may reach 1e-8, large chances go through the recursion over trials instead.

    Parameters
    ----------
    p : ndarray of float, shape (draws, cases, weeks), in [0, 1]
        Chance that a case uses a slot in the week.
    counts : Counts, optional
        Further independent counts.

    Returns
    -------
    ndarray of float, shape (weeks, n + 1)
        Each row adds to 1. `n` is the number of cases where there is nothing else, else far enough in the tail.

    Examples
    --------
    >>> two_draws = np.array([[[0.0], [0.0]], [[1.0], [1.0]]])
    >>> mixed_poisson_binomial(two_draws).round(12).tolist()
    [[0.5, 0.0, 0.5]]
    """
    draws, cases, _ = p.shape
    stay = np.ones((draws, cases, 1))
    return mixed_slots(stay, np.arange(cases), p=p, counts=counts)


def mixed_slots(
    stay: FloatArray,
    clock: NDArray[np.intp],
    *,
    use: FloatArray | None = None,
    p: FloatArray | None = None,
    counts: Counts | None = None,
) -> FloatArray:
    """As :func:`mixed_poisson_binomial`, of chances that are products never held whole.

    Parameters
    ----------
    stay : ndarray of float, shape (draws, cases, further)
        Chance that a case needs at least so many further sessions.
    clock : ndarray of int, shape (cases,)
        Which timetable each case follows.
    use : ndarray of float, shape (clocks, further, weeks)
        Chance that a slot of a week goes to that further session, given that it is needed.
    p : ndarray of float, shape (draws, cases, weeks), optional
        The products themselves, instead of `use`.
    counts : Counts, optional
        Further independent counts.
    """
    draws, cases = stay.shape[:2]
    source = _Chances(stay, clock, use, p)
    weeks = source.weeks
    counts = Counts.none(draws, weeks) if counts is None else counts
    top = np.maximum(source.largest(), counts.like.max(axis=0, initial=0.0))  # (weeks,)
    top = np.where(top > _NEGLIGIBLE, top, 0.0)  # the reciprocal of a tinier one might overflow
    scale = np.where(top > 0, 2.0 / np.where(top > 0, top, 1.0), 0.0)
    sums = _power_sums(source, scale)
    if counts.n_like:
        _add_powers(sums, counts.like * scale - 1.0, counts.n_like)
    size = _support(sums, scale, counts, cases + counts.n_like)
    rows = [_week(w, source, sums[:, w], float(top[w]), counts, size) for w in range(weeks)]
    return np.stack(rows)


class _Chances:
    """Chances by block of draws or by week, from the products or as given."""

    def __init__(
        self, stay: FloatArray, clock: NDArray[np.intp], use: FloatArray | None, p: FloatArray | None
    ) -> None:
        self.stay, self.clock, self.use, self.p = stay, clock, use, p
        self.weeks = p.shape[2] if p is not None else use.shape[2]  # type: ignore[union-attr]
        # of each case, so that a block of draws is one stack of small matrix products
        self.of_case = None if use is None else np.ascontiguousarray(use[clock])

    def largest(self) -> FloatArray:
        """A bound on the chances of each week, shape (weeks,)."""
        return self.by_case().max(axis=0, initial=0.0)

    def by_case(self) -> FloatArray:
        """A bound on the chances of each case and week, shape (cases, weeks)."""
        if self.p is not None:
            return np.asarray(self.p.max(axis=0))
        assert self.of_case is not None
        return np.asarray(np.einsum("ij,ijw->iw", self.stay.max(axis=0), self.of_case))

    def block(self, part: slice) -> FloatArray:
        """Shape (cases, draws of the block, weeks)."""
        if self.p is not None:
            return np.array(self.p[part].transpose(1, 0, 2))  # a copy: the caller works in place
        assert self.of_case is not None
        return np.asarray(np.matmul(self.stay[part].transpose(1, 0, 2), self.of_case))

    def week(self, w: int, cases: NDArray[np.intp]) -> FloatArray:
        """Shape (draws, cases)."""
        if self.p is not None:
            return np.asarray(self.p[:, cases, w])
        assert self.of_case is not None
        return np.asarray(np.einsum("dij,ij->di", self.stay[:, cases], self.of_case[cases, :, w]))


def _power_sums(source: _Chances, scale: FloatArray) -> FloatArray:
    """Sums over cases of the powers 0 to 12 of 2 p / top - 1, shape (draws, weeks, powers)."""
    draws, cases = source.stay.shape[:2]
    out = np.zeros((draws, source.weeks, _POWERS + 1))
    block = max(1, _BLOCK_VALUES // max(1, cases * source.weeks))
    for start in range(0, draws, block):
        part = slice(start, min(start + block, draws))
        x = source.block(part)
        x *= scale
        x -= 1.0
        _add_powers(out[part], x, None)
    return out


def _add_powers(out: FloatArray, x: FloatArray, times: int | None) -> None:
    power = np.ones_like(x)
    for k in range(_POWERS + 1):
        out[..., k] += power.sum(axis=0) if times is None else times * power
        power *= x


def _support(sums: FloatArray, scale: FloatArray, counts: Counts, most: int) -> int:
    """Number of values kept of a total, so that what lies beyond has a chance below e^-25 (Chernoff's bound)."""
    if not counts.poisson.any() and not counts.gamma_means.any():
        return most + 1
    with np.errstate(divide="ignore", invalid="ignore"):
        trials = np.where(scale > 0, (sums[..., 1] + sums[..., 0]) / np.where(scale > 0, scale, 1.0), 0.0)
    mean = (trials + counts.poisson).max(axis=0)  # (weeks,)
    best = np.inf
    size = counts.gamma_size[:, None, None]
    for grown in np.geomspace(0.05, 8.0, 40):  # e^theta - 1
        thinned = counts.gamma_means * grown / size
        if (thinned >= 1.0).any():
            break
        more = (-size[:, 0] * np.log1p(-thinned).sum(axis=1)).max(axis=0) if thinned.size else 0.0
        best = min(best, float(((mean * grown + more + 25.0) / np.log1p(grown)).max()))
    if not np.isfinite(best):
        best = 40.0 * float(counts.mean.max()) + most
    return int(min(max(best, 8.0) + 2, 200_000))


def _week(w: int, source: _Chances, sums: FloatArray, top: float, counts: Counts, size: int) -> FloatArray:
    """Distribution of one week's total, shape (size,)."""
    n = source.stay.shape[1] + counts.n_like
    angle = 2 * np.pi * np.arange(size // 2 + 1) / size
    bound = np.exp(-_least_variance(sums, top, counts.poisson[:, w]) * (1.0 - np.cos(angle)))
    kept = bound > _NEGLIGIBLE
    z = np.exp(-1j * angle[kept])
    coefficients, error = _of_trials(z, top)
    others = _log_of_counts(z, w, counts, bound[kept])
    whole = np.zeros(size // 2 + 1, dtype=complex)
    if n == 0 or (error * n * bound[kept]).max() < _TOLERANCE:
        whole[kept] = _mean_exp(sums, coefficients, others)
    else:
        whole[kept] = _by_trials(w, source, counts, others, z, size)
    return _inverse(whole, size)


def _least_variance(sums: FloatArray, top: float, poisson: FloatArray) -> float:
    """Least over draws of the variance of trials and Poisson count: bounds the characteristic function."""
    half = top / 2
    mean = half * (sums[:, 1] + sums[:, 0])  # sum of p, with p = half (x + 1)
    square = half**2 * (sums[:, 2] + 2 * sums[:, 1] + sums[:, 0])
    return max(0.0, float((mean - square + poisson).min()))


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


def _of_trials(z: ComplexArray, top: float) -> tuple[ComplexArray, FloatArray]:
    """Coefficients in powers of x, and errors, of the logarithm for a trial of chance p."""
    chebyshev, error = _polynomial(lambda p: np.log1p(p[:, None] * (z - 1.0)[None, :]), top, _POWERS)
    return _monomials(_POWERS).T @ chebyshev, error


def _log_of_counts(z: ComplexArray, w: int, counts: Counts, bound: FloatArray) -> FloatArray | None:
    """Logarithm of the characteristic function of a week's Poisson and negative binomial counts.

    A negative binomial of mean m and size r has, with v = m / (m + r), minus r times log(1 - v z) - log(1 - v); the
    logarithm is a polynomial in v, so that several of one size need the power sums of their v alone. Draws are taken
    by their largest v; past 0.92 term by term.

    Returns
    -------
    ndarray of float, shape (draws, 2 z), or None
        Real and imaginary parts side by side; None where there are no such counts.
    """
    means = counts.gamma_means[:, :, w]
    means = means[:, means.any(axis=0)]
    poisson = counts.poisson[:, w]
    if not means.shape[1] and not poisson.any():
        return None
    out = poisson[:, None] * _side_by_side(z - 1.0)
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
        out[d] += _side_by_side(-counts.gamma_size[d] * _log_terms(z, v[d]))
    return out


def _log_of_gamma(
    z: ComplexArray, v: FloatArray, size: FloatArray, powers: int, bound: FloatArray
) -> FloatArray:
    top = max(float(v.max()), 1e-6)
    coefficients, error = _polynomial(lambda p: np.log1p(-p[:, None] * z[None, :]), top, powers)
    if (error * bound).max() * v.shape[1] * float(size.max()) > _TOLERANCE:
        return np.stack(
            [_side_by_side(-r * _log_terms(z, one)) for r, one in zip(size[:, 0], v, strict=True)]
        )
    sums = np.empty((len(v), powers + 2))
    x = v.T * (2.0 / top) - 1.0
    before, here = x, np.ones_like(x)
    for k in range(powers + 1):  # the recurrence keeps its digits where powers of x would lose them
        sums[:, k] = here.sum(axis=0)
        before, here = here, 2 * x * here - before
    sums[:, -1] = -np.log1p(-v).sum(axis=1)
    rows = np.concatenate([coefficients, np.ones((1, len(z)))])
    return np.asarray((-size * sums) @ _side_by_side(rows))


def _log_terms(z: ComplexArray, v: FloatArray) -> ComplexArray:
    return np.asarray((np.log1p(-v[:, None] * z) - np.log1p(-v)[:, None]).sum(axis=0))


def _side_by_side(values: ComplexArray) -> FloatArray:
    return np.concatenate([values.real, values.imag], axis=-1)


def _mean_exp(sums: FloatArray, coefficients: ComplexArray, others: FloatArray | None) -> ComplexArray:
    """Mean over draws of the exponential of the logarithm, shape (z,), by real products and blocks of draws."""
    draws, n = len(sums), coefficients.shape[1]
    rows = _side_by_side(coefficients)
    out = np.zeros(n, dtype=complex)
    block = max(1, _BLOCK_VALUES // max(1, 2 * n))
    for start in range(0, draws, block):
        exponent = sums[start : start + block] @ rows
        if others is not None:
            exponent += others[start : start + block]
        size, turn = np.exp(exponent[:, :n]), exponent[:, n:]
        out += np.einsum("dz,dz->z", size, np.cos(turn)) + 1j * np.einsum("dz,dz->z", size, np.sin(turn))
    return np.asarray(out / draws)


def _by_trials(
    w: int, source: _Chances, counts: Counts, others: FloatArray | None, z: ComplexArray, size: int
) -> ComplexArray:
    """As the short form, large chances by recursion; exact whatever the chances."""
    bound = source.by_case()[:, w]
    like = float(counts.like[:, w].max(initial=0.0)) if counts.n_like else 0.0
    small = np.flatnonzero((bound <= _SMALL) & (bound > 0))
    large = np.flatnonzero(bound > _SMALL)
    top = max(float(bound[small].max(initial=0.0)), like if like <= _SMALL else 0.0, 1e-6)
    draws = len(source.stay)
    sums = np.zeros((draws, _POWERS + 1))
    if len(small):
        _add_powers(sums, source.week(w, small).T * (2.0 / top) - 1.0, None)
    if counts.n_like and like <= _SMALL:
        _add_powers(sums, counts.like[:, w] * (2.0 / top) - 1.0, counts.n_like)
    exponent = sums @ _side_by_side(_of_trials(z, top)[0])
    if others is not None:
        exponent += others
    value = np.exp(exponent[:, : len(z)] + 1j * exponent[:, len(z) :])
    if like > _SMALL:
        value *= (1.0 + counts.like[:, w, None] * (z - 1.0)) ** counts.n_like
    if len(large):
        pmf = poisson_binomial(source.week(w, large))[
            :, :size
        ]  # values past the support have no chance to speak of
        value *= np.fft.rfft(pmf, size, axis=1)[:, : len(z)]
    return np.asarray(value.mean(axis=0))


def _inverse(half: ComplexArray, size: int) -> FloatArray:
    """Distribution from its transform at the non-negative frequencies."""
    pmf = np.clip(np.fft.irfft(half, size), 0.0, None)
    return np.asarray(pmf / pmf.sum())
