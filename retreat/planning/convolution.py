"""Exact distributions of sums of independent counts, one after another or by transform."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

# values of a count up to which its transform is a sum over them
_FEW_VALUES = 64


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
    out[:kept] = inverse(_product_of(groups, kept), kept)
    return out


def _product_of(groups: Sequence[FloatArray], size: int) -> ComplexArray:
    """Product of the transforms at the frequencies 0 to a half; 0 where it is surely below e^-37.

    With p and q the chances of two values d apart, the squared size of a transform is 1 less the sum over pairs of
    2 p q (1 - cos(d t)), so that the exponential of minus the sum over all counts bounds the product.
    """
    if max(members.shape[1] for members in groups) > _FEW_VALUES:
        products = [np.fft.rfft(members, size, axis=1).prod(axis=0) for members in groups]
        return np.asarray(np.prod(products, axis=0))
    root = np.exp(-2j * np.pi * np.arange(size // 2 + 1) / size)
    longest = max(members.shape[1] for members in groups)
    turn = np.ones((longest, len(root)), dtype=complex)
    np.multiply.accumulate(np.broadcast_to(root, (longest - 1, len(root))), axis=0, out=turn[1:])
    place = np.arange(longest)
    apart = np.zeros(longest)
    for members in groups:
        n = members.shape[1]
        between = np.abs(place[:n, None] - place[:n])
        apart += np.bincount(between.ravel(), (members.T @ members).ravel(), longest) / 2
    near = apart[1:].sum() - apart[1:] @ turn.real[1:] < 37.0
    whole = near.astype(complex)
    # one real product for all: of few values, a transform padded to the length of the sum costs more
    turn = turn[:, near]
    both = np.concatenate([turn.real, turn.imag], axis=1)
    for members in groups:
        parts = members @ both[: members.shape[1]]
        values = np.empty((len(members), turn.shape[1]), dtype=complex)
        values.real, values.imag = parts[:, : turn.shape[1]], parts[:, turn.shape[1] :]
        whole[near] *= product(values)
    return np.asarray(whole)


def product(values: ComplexArray) -> ComplexArray:
    """Product over the first axis, by halves and in place, which is quicker than one by one.

    Parameters
    ----------
    values : ndarray of complex, shape (n, ...), n at least 1
        Overwritten.
    """
    n = len(values)
    while n > 1:
        half = n // 2
        values[:half] *= values[n - half : n]
        n -= half
    return np.asarray(values[0])


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


def inverse(half: ComplexArray, size: int) -> FloatArray:
    """Distribution from its transform at the non-negative frequencies."""
    pmf = np.clip(np.fft.irfft(half, size), 0.0, None)
    return np.asarray(pmf / pmf.sum())
