"""Exact distributions of the slots of each week, mixed over draws of the parameters."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from retreat.planning.convolution import convolve, inverse, poisson_binomial
from retreat.planning.count_logs import (
    POWERS,
    TOLERANCE,
    Counts,
    bound_of_gamma,
    log_of_counts,
    of_trials,
    side_by_side,
)  # fmt: skip

__all__ = ["Counts", "convolve", "mixed_poisson_binomial", "mixed_slots", "poisson_binomial", "shares"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

# frequencies at which the characteristic function is surely smaller are 0
_NEGLIGIBLE = 1e-12
# chances up to here are summed by powers; larger ones one by one where powers do not serve
_SMALL = 0.3
# draws by which the support is looked for
_TRIED = 100
# draws of one block of the working arrays: about 1.5 MB each for 200 cases and 26 weeks
_BLOCK_VALUES = 200_000


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
    use : ndarray of float, shape (laws, clocks, further, weeks)
        Chance that a slot of a week goes to that further session, given that it is needed; draws are shared between
        the laws as by :func:`shares`.
    p : ndarray of float, shape (draws, cases, weeks), optional
        The products themselves, instead of `use`.
    counts : Counts, optional
        Further independent counts.
    """
    draws, cases = stay.shape[:2]
    source = _Chances(stay, clock, use, p)
    weeks = source.weeks
    counts = Counts.none(draws, weeks) if counts is None else counts
    top = np.maximum(source.largest(), counts.largest())  # (weeks,)
    top = np.where(top > _NEGLIGIBLE, top, 0.0)  # the reciprocal of a tinier one might overflow
    scale = np.where(top > 0, 2.0 / np.where(top > 0, top, 1.0), 0.0)
    sums = _power_sums(source, scale)
    if counts.n_trials:
        alike = np.zeros((len(counts.like), weeks, POWERS + 1))
        _add_powers(alike, (counts.like * scale - 1.0).transpose(1, 0, 2), counts.n_like)
        sums += alike[counts.row]
    size = _support(sums, scale, counts, cases + counts.n_trials)
    rows = [_week(w, source, sums[:, w], float(top[w]), counts, size) for w in range(weeks)]
    return np.stack(rows)


def shares(draws: int, laws: int) -> tuple[slice, ...]:
    """Draws that go by each law: as even as may be, in order.

    Examples
    --------
    >>> shares(5, 2)
    (slice(0, 2, None), slice(2, 5, None))
    """
    ends = [draws * k // laws for k in range(laws + 1)]
    return tuple(slice(start, stop) for start, stop in pairwise(ends))


class _Chances:
    """Chances by block of draws or by week, from the products or as given."""

    def __init__(
        self, stay: FloatArray, clock: NDArray[np.intp], use: FloatArray | None, p: FloatArray | None
    ) -> None:
        self.stay, self.clock, self.use, self.p = stay, clock, use, p
        if use is None:
            assert p is not None
            self.weeks, self.laws = p.shape[2], shares(len(stay), 1)
        else:
            self.weeks, self.laws = use.shape[3], shares(len(stay), len(use))

    def largest(self) -> FloatArray:
        """A bound on the chances of each week, shape (weeks,)."""
        return self.by_case().max(axis=0, initial=0.0)

    def by_case(self) -> FloatArray:
        """A bound on the chances of each case and week, shape (cases, weeks)."""
        if self.use is None:
            assert self.p is not None
            return np.asarray(self.p.max(axis=0))
        out = np.zeros((self.stay.shape[1], self.weeks))
        for part, use in zip(self.laws, self.use, strict=True):
            most = self.stay[part].max(axis=0, initial=0.0)
            np.maximum(out, np.einsum("ij,ijw->iw", most, use[self.clock]), out=out)
        return out

    def blocks(self, size: int) -> Iterator[tuple[slice, FloatArray]]:
        """Blocks of draws with their chances, each of shape (cases, draws of the block, weeks), free to change."""
        for k, law in enumerate(self.laws):
            # of each case, so that a block of draws is one stack of small matrix products
            of_case = None if self.use is None else self.use[k][self.clock]
            for start in range(law.start, law.stop, size):
                part = slice(start, min(start + size, law.stop))
                if of_case is None:
                    assert self.p is not None
                    yield part, np.array(self.p[part].transpose(1, 0, 2))
                else:
                    yield part, np.asarray(np.matmul(self.stay[part].transpose(1, 0, 2), of_case))

    def week(self, w: int, cases: NDArray[np.intp]) -> FloatArray:
        """Shape (draws, cases)."""
        if self.use is None:
            assert self.p is not None
            return np.asarray(self.p[:, cases, w])
        return np.concatenate([
            np.einsum("dij,ij->di", self.stay[part][:, cases], use[self.clock[cases], :, w])
            for part, use in zip(self.laws, self.use, strict=True)
        ])  # fmt: skip


def _power_sums(source: _Chances, scale: FloatArray) -> FloatArray:
    """Sums over cases of the powers 0 to 12 of 2 p / top - 1, shape (draws, weeks, powers)."""
    draws, cases = source.stay.shape[:2]
    out = np.zeros((draws, source.weeks, POWERS + 1))
    block = max(1, _BLOCK_VALUES // max(1, cases * source.weeks))
    for part, x in source.blocks(block):
        x *= scale
        x -= 1.0
        _add_powers(out[part], x, None)
    return out


def _add_powers(out: FloatArray, x: FloatArray, times: NDArray[np.int64] | None) -> None:
    """Add the powers of x summed over its first axis, each row counting so many times."""
    power = np.ones_like(x)
    for k in range(POWERS + 1):
        out[..., k] += power.sum(axis=0) if times is None else np.tensordot(times, power, axes=1)
        power *= x


def _support(sums: FloatArray, scale: FloatArray, counts: Counts, most: int) -> int:
    """Number of values kept of a total, so that what lies beyond has a chance below e^-25 (Chernoff's bound)."""
    if not counts.poisson.any() and not counts.pairs.any() and not counts.gamma_means.any():
        return most + 1
    with np.errstate(divide="ignore", invalid="ignore"):
        trials = np.where(scale > 0, (sums[..., 1] + sums[..., 0]) / np.where(scale > 0, scale, 1.0), 0.0)
    mean = np.stack([(trials + counts.poisson).max(axis=0), counts.pairs.max(axis=0)])  # (2, weeks)
    # the bound holds at any rate: the best one for the draws of most slots is taken for all
    most_slots = np.argsort(counts.mean.sum(axis=1))[-_TRIED:]
    rates = np.geomspace(1e-4, 8.0, 80)
    tried = [
        _beyond(rate, mean, counts.gamma_means[most_slots], counts.gamma_size[most_slots]) for rate in rates
    ]
    best = np.inf
    for rate in rates[: int(np.argmin(tried)) + 1][::-1]:
        best = _beyond(rate, mean, counts.gamma_means, counts.gamma_size)
        if np.isfinite(best):
            break
    if not np.isfinite(best):
        best = 40.0 * float(counts.mean.max()) + most
    return int(min(max(best, 8.0) + 2, 200_000))


def _beyond(grown: float, mean: FloatArray, gamma_means: FloatArray, gamma_size: FloatArray) -> float:
    """Total beyond which there is a chance below e^-25, by the bound at e^theta - 1; infinite where that fails."""
    thinned = gamma_means * grown / gamma_size[:, None, None]
    if (thinned >= 1.0).any():
        return np.inf
    more = (-gamma_size[:, None] * np.log1p(-thinned).sum(axis=1)).max(axis=0) if thinned.size else 0.0
    both = mean[0] * grown + mean[1] * grown * (grown + 2.0)
    return float(((both + more + 25.0) / np.log1p(grown)).max())


def _week(w: int, source: _Chances, sums: FloatArray, top: float, counts: Counts, size: int) -> FloatArray:
    """Distribution of one week's total, shape (size,)."""
    n = source.stay.shape[1] + counts.n_trials
    angle = 2 * np.pi * np.arange(size // 2 + 1) / size
    bound = np.exp(-_least_variance(sums, top, counts.poisson[:, w]) * (1.0 - np.cos(angle)))
    bound *= bound_of_gamma(counts, w, angle)
    kept = bound > _NEGLIGIBLE
    z = np.exp(-1j * angle[kept])
    coefficients, error = of_trials(z, top)
    others = log_of_counts(z, w, counts, bound[kept])
    whole = np.zeros(size // 2 + 1, dtype=complex)
    if n == 0 or (error * n * bound[kept]).max() < TOLERANCE:
        whole[kept] = _mean_exp(sums, coefficients, others)
    else:
        whole[kept] = _by_trials(w, source, counts, others, z, size)
    return inverse(whole, size)


def _least_variance(sums: FloatArray, top: float, poisson: FloatArray) -> float:
    """Least over draws of the variance of trials and Poisson count: bounds the characteristic function."""
    half = top / 2
    mean = half * (sums[:, 1] + sums[:, 0])  # sum of p, with p = half (x + 1)
    square = half**2 * (sums[:, 2] + 2 * sums[:, 1] + sums[:, 0])
    return max(0.0, float((mean - square + poisson).min()))


def _mean_exp(sums: FloatArray, coefficients: ComplexArray, others: FloatArray | None) -> ComplexArray:
    """Mean over draws of the exponential of the logarithm, shape (z,), by real products and blocks of draws."""
    draws, n = len(sums), coefficients.shape[1]
    rows = side_by_side(coefficients)
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
    like = counts.like[:, :, w]  # (rows, groups)
    few = like.max(axis=0, initial=0.0) <= _SMALL
    small = np.flatnonzero((bound <= _SMALL) & (bound > 0))
    large = np.flatnonzero(bound > _SMALL)
    top = max(float(bound[small].max(initial=0.0)), float(like[:, few].max(initial=0.0)), 1e-6)
    draws = len(source.stay)
    sums = np.zeros((draws, POWERS + 1))
    if len(small):
        _add_powers(sums, source.week(w, small).T * (2.0 / top) - 1.0, None)
    if few.any():
        alike = np.zeros((len(like), POWERS + 1))
        _add_powers(alike, like[:, few].T * (2.0 / top) - 1.0, counts.n_like[few])
        sums += alike[counts.row]
    exponent = sums @ side_by_side(of_trials(z, top)[0])
    if others is not None:
        exponent += others
    value = np.exp(exponent[:, : len(z)] + 1j * exponent[:, len(z) :])
    for group in np.flatnonzero(~few):
        value *= ((1.0 + like[:, group, None] * (z - 1.0)) ** counts.n_like[group])[counts.row]
    if len(large):
        pmf = poisson_binomial(source.week(w, large))[
            :, :size
        ]  # values past the support have no chance to speak of
        value *= np.fft.rfft(pmf, size, axis=1)[:, : len(z)]
    return np.asarray(value.mean(axis=0))
