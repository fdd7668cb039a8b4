"""Distribution of the slots that all cases use over a span of weeks, where one case may use several."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from retreat.planning.convolution import product

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

# draws that stand for all, evenly spaced in the order of the mean total
_DRAWS = 200
# fewer, but at least 50, where there are more open cases than this many products allow
_MOST_PRODUCTS = 400_000
# characteristic functions smaller than this at the middle draw are taken as 0
_NEGLIGIBLE = 1e-14
_MOST_SIZE = 1e5
# values of one working array
_BLOCK_VALUES = 100_000
# values kept where starts are so erratic that no bound holds, as a multiple of the mean
_FAR = 40.0
_MOST_VALUES = 50_000


@dataclass(frozen=True)
class Span:
    """All that may use slots over a span, given each draw.

    Parameters
    ----------
    stay : ndarray of float, shape (draws, cases, further)
        Chance that an open case needs at least so many further sessions.
    clock : ndarray of int, shape (cases,)
        Which timetable each case follows.
    tails : ndarray of float, shape ([laws,] clocks, slots, further)
        Of :func:`retreat.planning.timetable.slot_counts`, under each law of the gaps.
    later : ndarray of float, shape (weeks, draws, slots)
        For a start in each week of the span, the chance of at least so many slots within it.
    new : ndarray of float, shape (draws, weeks)
        Mean first starts.
    lag : ndarray of float, shape (rows, weeks)
        Chance that the other eye of a start begins so many weeks after it.
    second : ndarray of float, shape (rows, groups, weeks)
        Chance that the other eye of a patient already seen begins.
    patients : ndarray of int, shape (groups,)
        How many such patients a group has.
    row : ndarray of int, shape (draws,)
        Row of `second` that each draw goes by; draws of a row have the same `later`.
    size : ndarray of float, shape (draws,)
        Size of the negative binomial of the first starts; infinite for Poisson.
    law : ndarray of int, shape (draws,), optional
        Law of the gaps that each draw goes by; needed where there are several.
    """

    stay: FloatArray
    clock: NDArray[np.intp]
    tails: FloatArray
    later: FloatArray
    new: FloatArray
    lag: FloatArray
    second: FloatArray
    patients: NDArray[np.int64]
    row: NDArray[np.intp]
    size: FloatArray
    law: NDArray[np.intp] | None = None

    @property
    def slots(self) -> int:
        """Most slots of an open case."""
        return int(self.tails.shape[-2])

    def by_law(self) -> list[tuple[NDArray[np.intp], FloatArray]]:
        """Draws that go by each law, and its tails."""
        if self.law is None:
            return [(np.arange(len(self.stay)), self.tails)]
        found = [(np.flatnonzero(self.law == k), tails) for k, tails in enumerate(self.tails)]
        return [(rows, tails) for rows, tails in found if len(rows)]

    def of_draws(self, chosen: NDArray[np.intp]) -> Span:
        """Only some of the draws."""
        return replace(
            self, stay=self.stay[chosen], later=self.later[:, chosen], new=self.new[chosen],
            row=self.row[chosen], size=self.size[chosen],
            law=None if self.law is None else self.law[chosen],
        )  # fmt: skip

    def means(self) -> FloatArray:
        """Mean slots, shape (draws,)."""
        opened = np.zeros(len(self.stay))
        for rows, tails in self.by_law():
            of_case = tails.sum(axis=1)[self.clock]  # (cases, further)
            opened[rows] = self.stay[rows].reshape(len(rows), -1) @ of_case.ravel()
        lag, weeks = self.lag[self.row], self.new.shape[1]
        follow = np.stack([(self.new[:, : w + 1] * lag[:, w::-1]).sum(axis=1) for w in range(weeks)], axis=1)
        begun = self.new + follow + np.einsum("g,rgw->rw", self.patients, self.second)[self.row]
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
    kept = min(draws, max(50, _MOST_PRODUCTS // max(1, len(span.clock))), len(order))
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
    rise = _rise(span.slots, z)
    used = np.flatnonzero(np.bincount(span.clock, minlength=1))
    for rows, tails in span.by_law():
        stay = np.ascontiguousarray(span.stay[rows].transpose(1, 0, 2))  # (cases, draws, further)
        for at in used:
            steps = tails[at].T @ rise  # (further, z)
            both = np.concatenate([steps.real, steps.imag], axis=1)
            cases = np.flatnonzero(span.clock == at)
            block = max(1, _BLOCK_VALUES // (len(rows) * len(z)))
            for start in range(0, len(cases), block):
                some = cases[start : start + block]
                grown = stay[some] @ both  # (cases, draws, 2 z)
                one = np.empty((len(some), len(rows), len(z)), dtype=complex)
                one.real, one.imag = grown[..., : len(z)], grown[..., len(z) :]
                one += 1.0
                value[rows] *= product(one)
    return value


def _log_of_begun(span: Span, z: ComplexArray) -> ComplexArray:
    """Logarithm of the generating function of all but the open cases."""
    rise = _rise(span.later.shape[2], z)
    out = np.zeros((len(span.size), len(z)), dtype=z.dtype)
    rows, place, back = np.unique(span.row, return_index=True, return_inverse=True)
    of_rows = np.empty((len(rows), len(span.later), len(z)), dtype=z.dtype)
    poisson = bool(np.isinf(span.size).all())
    shape = np.minimum(span.size, _MOST_SIZE)[:, None]
    for week, chances in enumerate(span.later):
        of_rows[:, week] = chances[place] @ rise  # generating function of the slots of one start, less 1
    for week in range(len(span.later)):
        # both eyes of a start: the product of their generating functions, less 1
        follows = np.einsum("rk,rkz->rz", span.lag[rows, : len(span.later) - week], of_rows[:, week:])
        grown = (of_rows[:, week] + follows + of_rows[:, week] * follows)[back]
        if poisson:
            out += span.new[:, week, None] * grown
        else:
            out -= shape * np.log1p(-span.new[:, week, None] * grown / shape)
    if len(span.patients):
        gain = span.second[rows] @ of_rows  # (rows, groups, z)
        out += np.einsum("g,rgz->rz", span.patients, np.log1p(gain))[back]
    return out


def _rise(slots: int, z: ComplexArray) -> ComplexArray:
    """What one slot more adds to the generating function: z^b - z^(b-1), shape (slots, z)."""
    powers = z[None, :] ** np.arange(slots + 1)[:, None]
    return np.asarray(powers[1:] - powers[:-1])


def _support(span: Span) -> int:
    """Number of values kept of the total, by Chernoff's bound at real arguments above 1."""
    best = np.inf
    slots = max(span.later.shape[2], span.slots)
    for rate in np.geomspace(1e-4, 3.0, 72):
        if rate * slots > 40:
            break
        z = np.array([np.exp(rate)])
        grown = max(float((chances @ _rise(span.later.shape[2], z)).max()) for chances in span.later)
        grown *= 1.0 + float(span.lag.sum(axis=1).max()) * (1.0 + grown)  # and of the other eye after it
        if not np.isinf(span.size).all() and (span.new * grown / span.size[:, None]).max() >= 0.99:
            break
        log = _log_of_begun(span, z)[:, 0]
        rise = _rise(span.slots, z)
        for rows, tails in span.by_law() if len(span.clock) else ():
            gain = (tails.transpose(0, 2, 1) @ rise)[span.clock, :, 0]  # (cases, further)
            log[rows] += np.log1p(np.einsum("dij,ij->di", span.stay[rows], gain)).sum(axis=1)
        best = min(best, (float(log.max()) + 25.0) / rate)
    if not np.isfinite(best):
        best = _FAR * float(span.means().max())
    return int(np.clip(best, 8.0, _MOST_VALUES)) + 2
