"""Slots of those who begin: new starts, their other eyes, and the other eyes of patients already seen."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from retreat.planning.arrivals import Arrivals
from retreat.planning.second_eyes import SecondEyes, begins
from retreat.planning.totals import Counts

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# variance above mean, as a multiple of the mean, from which starts count as heaped
_HEAPED = 0.5
# share of starts whose other eye follows within the plan from which both eyes of a start are taken together
_FOLLOWED = 0.01


@dataclass(frozen=True)
class Rates:
    """Rates of new starts and of second eyes, one row a draw of the plan.

    Parameters
    ----------
    new : ndarray of float, shape (draws, weeks)
        Mean first starts.
    size : ndarray of float, shape (draws,)
        Size of their negative binomial; infinite for Poisson.
    chance : ndarray of float, shape (rows, spans)
        Chance a week of another eye, by the spans of weeks since the first.
    row : ndarray of int, shape (draws,)
        Row that each draw goes by; draws of a row share the course of a new case and the law of the gaps.
    others : SecondEyes
        The patients who may bring another eye.
    lag : ndarray of float, shape (rows, weeks)
        Chance that the other eye of a new start begins so many weeks after it.
    """

    new: FloatArray
    size: FloatArray
    chance: FloatArray
    row: NDArray[np.intp]
    others: SecondEyes = field(repr=False)
    lag: FloatArray

    @classmethod
    def drawn(
        cls, arrivals: Arrivals, others: SecondEyes, row: NDArray[np.intp], weeks: int, seed: int
    ) -> Rates:
        """Rates paired with the draws of a plan, in random order.

        A negative binomial is a Poisson whose mean is gamma. Where starts come in heaps, that gamma is drawn with the
        other parameters, by a Latin hypercube (McKay, Beckman and Conover 1979, from memory): the counts given it are
        again Poisson, and far tails cost nothing. So it is where other eyes follow, since both eyes of a start may then
        use slots of one week. Milder spread is left to the exact distribution.
        """
        rng = np.random.default_rng([seed, 53])
        draws = len(row)
        pick = _paired(len(arrivals.rate), draws, rng)
        chance = others.chance[_paired(len(others.chance), int(row.max()) + 1, rng)]
        new, size = arrivals.rate[pick, :weeks], arrivals.dispersion[pick]
        # of a start in week s the other eye begins in week s + k, k >= 0
        lag = begins(chance, others.after_start(weeks))
        heaped = np.median(new.max(axis=1, initial=0.0) / size) > _HEAPED
        if heaped or (np.isfinite(size).any() and lag.sum(axis=1).mean() > _FOLLOWED):
            new, size = new * _gamma(size, weeks, rng), np.full(draws, np.inf)
        return cls(new, size, chance, row, others, lag)

    def second(self, weeks: int) -> tuple[FloatArray, IntArray]:
        """Chance that a patient's other eye begins in each week, (rows, groups, weeks), and patients of each group."""
        spans, patients = self.others.groups(weeks)
        return begins(self.chance, spans), patients

    def counts(self, since_start: FloatArray) -> Counts:
        """Slots of a week besides those of the open cases.

        Parameters
        ----------
        since_start : ndarray of float, shape (draws, weeks)
            Chance of a slot so many weeks after a start; the same for draws of one row.
        """
        follows = self._slots_of_followers(since_start)
        poisson = _after(self.new, follows)
        pairs, size = np.zeros_like(poisson), np.ones(len(poisson))
        terms = np.zeros((len(poisson), 0, poisson.shape[1]))
        if np.isinf(self.size).all():
            # a start whose two eyes use slots of one week counts for two, so that the sum is no Poisson count
            pairs = _after(self.new, since_start * follows)
            poisson = np.clip(poisson + _after(self.new, since_start) - 2.0 * pairs, 0.0, None)
        else:
            terms, size = _lagged(self.new, since_start), np.minimum(self.size, 1e5)
        like, patients = self._slots_of_seconds(since_start)
        return Counts(poisson, pairs, terms, size, like, patients, self.row)

    def new_mean(self, since_start: FloatArray) -> FloatArray:
        """Mean slots a week of new starts, shape (weeks,)."""
        return np.asarray(_after(self.new, since_start).mean(axis=0))

    def second_mean(self, since_start: FloatArray) -> FloatArray:
        """Mean slots a week of other eyes, shape (weeks,)."""
        like, patients = self._slots_of_seconds(since_start)
        share = np.bincount(self.row, minlength=len(like)) / len(self.row)
        seen = np.einsum("r,g,rgw->w", share, patients, like)
        return np.asarray(_after(self.new, self._slots_of_followers(since_start)).mean(axis=0) + seen)

    def _slots_of_followers(self, since_start: FloatArray) -> FloatArray:
        """Chance that the other eye of a start uses a slot so many weeks after it, shape (draws, weeks)."""
        since = since_start[np.unique(self.row, return_index=True)[1]]
        return _after(self.lag, since)[self.row]

    def _slots_of_seconds(self, since_start: FloatArray) -> tuple[FloatArray, IntArray]:
        """Chance that a patient's other eye uses a slot of a week, (rows, groups, weeks), and patients."""
        weeks = since_start.shape[1]
        begun, patients = self.second(weeks)
        since = since_start[np.unique(self.row, return_index=True)[1]]
        ahead = np.arange(weeks)[None, :] - np.arange(weeks)[:, None]
        after = np.where(ahead >= 0, since[:, np.maximum(ahead, 0)], 0.0)  # (rows, week of start, week)
        return np.clip(begun @ after, 0.0, 1.0), patients


def _paired(n: int, draws: int, rng: np.random.Generator) -> NDArray[np.intp]:
    """Which of n draws goes with each of so many: all of them as evenly as may be, in random order."""
    return np.asarray(rng.permutation(np.floor(np.arange(draws) * n / draws).astype(np.intp)))


def _gamma(size: FloatArray, weeks: int, rng: np.random.Generator) -> FloatArray:
    """Gamma numbers of mean 1 for each draw and week, spread evenly over the draws of each week."""
    from scipy.special import gammaincinv

    draws, size = len(size), np.minimum(size, 1e5)  # Poisson draws among them
    place = np.stack([rng.permutation(draws) for _ in range(weeks)], axis=1)
    return np.asarray(
        gammaincinv(size[:, None], (place + rng.random((draws, weeks))) / draws) / size[:, None]
    )


def _after(starts: FloatArray, since: FloatArray) -> FloatArray:
    """Sum over start weeks of starts and what follows them, shape (draws, weeks)."""
    weeks = starts.shape[1]
    out = np.zeros_like(starts)
    for s in range(weeks):
        out[:, s:] += starts[:, s, None] * since[:, : weeks - s]
    return out


def _lagged(starts: FloatArray, since: FloatArray) -> FloatArray:
    """As :func:`_after`, each start week by itself, shape (draws, start weeks, weeks)."""
    draws, weeks = starts.shape
    out = np.zeros((draws, weeks, weeks))
    for s in range(weeks):
        out[:, s, s:] = starts[:, s, None] * since[:, : weeks - s]
    return out
