"""Distribution of the slots that all cases use over a span of weeks, where one case may use several."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

# draws that stand for all, evenly spaced in the order of the mean total
_DRAWS = 200
# characteristic functions smaller than this at the middle draw are taken as 0
_NEGLIGIBLE = 1e-14
_MOST_SIZE = 1e5


@dataclass(frozen=True)
class Span:
    """All that may use slots over a span, given each draw.

    Parameters
    ----------
    stay : ndarray of float, shape (draws, cases, further)
        Chance that an open case needs at least so many further sessions.
    clock : ndarray of int, shape (cases,)
        Which timetable each case follows.
    tails : ndarray of float, shape (clocks, slots, further)
        Of :func:`retreat.planning.timetable.slot_counts`.
    later : ndarray of float, shape (weeks, draws, slots)
        For a start in each week of the span, the chance of at least so many slots within it.
    new, followers, second : ndarray of float, shape (draws, weeks)
        Mean first starts, mean second eyes of these, and the chance that another patient's other eye begins.
    size : ndarray of float, shape (draws,)
        Size of the negative binomial of the first starts; infinite for Poisson.
    eligible : int
        Patients who may bring another eye.
    """

    stay: FloatArray
    clock: NDArray[np.intp]
    tails: FloatArray
    later: FloatArray
    new: FloatArray
    followers: FloatArray
    second: FloatArray
    size: FloatArray
    eligible: int

    def of_draws(self, chosen: NDArray[np.intp]) -> Span:
        """Only some of the draws."""
        return replace(
            self, stay=self.stay[chosen], later=self.later[:, chosen], new=self.new[chosen],
            followers=self.followers[chosen], second=self.second[chosen], size=self.size[chosen],
        )  # fmt: skip

    def means(self) -> FloatArray:
        """Mean slots, shape (draws,)."""
        of_case = self.tails.sum(axis=1)[self.clock]  # (cases, further)
        opened = np.einsum("dij,ij->d", self.stay, of_case)
        begun = self.new + self.followers + self.eligible * self.second
        return np.asarray(opened + (begun * self.later.sum(axis=2).T).sum(axis=1))


def mixed_total(span: Span, *, draws: int = _DRAWS) -> FloatArray:
    """Distribution of the slots of all cases over a span, mixed over draws.

    The generating function of a sum of independent counts is the product of theirs; taken at the roots of unity and
    transformed back, it gives the distribution.

    Parameters
    ----------
    span : Span
        What may use slots.
    draws : int
        So many of the draws, evenly spaced in the order of the mean total, stand for the rest.

    Returns
    -------
    ndarray of float, shape (n + 1,)
        Adds to 1; what lies beyond n has a chance below e^-25.
    """
    order = np.argsort(span.means(), kind="stable")
    kept = min(draws, len(order))
    place = ((np.arange(kept) + 0.5) * len(order) / kept).astype(np.intp)
    some = span.of_draws(order[place])
    size = _support(some.of_draws(np.array([kept // 2, kept - 1])))
    root = np.exp(-2j * np.pi * np.arange(size // 2 + 1) / size)
    middle = np.abs(_generating(some.of_draws(np.array([kept // 2])), root)[0])
    near = middle > _NEGLIGIBLE
    whole = np.zeros(len(root), dtype=complex)
    whole[near] = _generating(some, root[near]).mean(axis=0)
    pmf = np.clip(np.fft.irfft(whole, size), 0.0, None)
    return np.asarray(pmf / pmf.sum())


def _generating(span: Span, z: ComplexArray) -> ComplexArray:
    """Generating function of the total at each z, shape (draws, z)."""
    value = np.exp(_log_of_begun(span, z))
    for at in np.flatnonzero(np.bincount(span.clock, minlength=len(span.tails))):
        steps = span.tails[at].T @ _rise(span.tails.shape[1], z)  # (further, z)
        for i in np.flatnonzero(span.clock == at):
            value *= 1.0 + span.stay[:, i] @ steps
    return value


def _log_of_begun(span: Span, z: ComplexArray) -> ComplexArray:
    """Logarithm of the generating function of all but the open cases."""
    rise = _rise(span.later.shape[2], z)
    out = np.zeros((len(span.size), len(z)), dtype=z.dtype)
    seconds = np.zeros_like(out)
    poisson = bool(np.isinf(span.size).all())
    shape = np.minimum(span.size, _MOST_SIZE)[:, None]
    for week, chances in enumerate(span.later):
        grown = chances @ rise  # generating function of the slots of one start, less 1
        seconds += span.second[:, week, None] * grown
        out += span.followers[:, week, None] * grown
        if poisson:
            out += span.new[:, week, None] * grown
        else:
            out -= shape * np.log1p(-span.new[:, week, None] * grown / shape)
    return np.asarray(out + span.eligible * np.log1p(seconds))


def _rise(slots: int, z: ComplexArray) -> ComplexArray:
    """What one slot more adds to the generating function: z^b - z^(b-1), shape (slots, z)."""
    powers = z[None, :] ** np.arange(slots + 1)[:, None]
    return np.asarray(powers[1:] - powers[:-1])


def _support(span: Span) -> int:
    """Number of values kept of the total, by Chernoff's bound at real arguments above 1."""
    best = np.inf
    slots = max(span.later.shape[2], span.tails.shape[1])
    for rate in np.geomspace(0.01, 3.0, 40):
        if rate * slots > 40:
            break
        z = np.array([np.exp(rate)])
        grown = max(float((chances @ _rise(span.later.shape[2], z)).max()) for chances in span.later)
        if not np.isinf(span.size).all() and (span.new * grown / span.size[:, None]).max() >= 0.99:
            break
        log = _log_of_begun(span, z)[:, 0]
        gain = (span.tails.transpose(0, 2, 1) @ _rise(span.tails.shape[1], z))[..., 0]  # (clocks, further)
        if len(span.clock):
            log = log + np.log1p(np.einsum("dij,ij->di", span.stay, gain[span.clock])).sum(axis=1)
        best = min(best, (float(log.max()) + 25.0) / rate)
    return int(max(best, 8.0)) + 2
