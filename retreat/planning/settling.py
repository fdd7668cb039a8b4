"""Where a curve of returns settles: what is said of waits longer than enough cases were watched for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# fewer cases under watch than this do not move the curve week by week: they are taken together (our judgement)
LEAST_AT_RISK = 5
# weeks within which nearly all who come back are back (common practice: sessions lie three to eight weeks apart)
USUAL_LARGEST = 13
# what the prior is worth: one case that returns and one that does not, so a half where nothing was seen
_PRIOR = (1.0, 1.0)


@dataclass(frozen=True)
class Tail:
    """The waits for which too few cases were watched.

    Parameters
    ----------
    begin : int
        First week with fewer than five cases under watch.
    n_at_risk, n_back : int
        Cases in it that came back or were watched for the usual longest wait, and how many of them came back.
    weeks : ndarray of float, shape (weeks,)
        When those who return in the tail do so; adds to 1, 0 before `begin`.
    """

    begin: int
    n_at_risk: int
    n_back: int
    weeks: FloatArray

    @property
    def share(self) -> float:
        """Share of those not back by then who return, the prior included."""
        back, lost = _PRIOR
        return (self.n_back + back) / (self.n_at_risk + back + lost)

    def drawn_share(self, rng: np.random.Generator) -> float:
        """A plausible value of that share."""
        back, lost = _PRIOR
        return float(rng.beta(self.n_back + back, self.n_at_risk - self.n_back + lost))


def tail_of(weeks: IntArray, followed: NDArray[np.bool_], max_weeks: int) -> Tail | None:
    """The tail of waits that end or are censored after the weeks named; None where enough are watched to the end.

    Parameters
    ----------
    weeks : ndarray of int, shape (n,)
        Week of the return, or last week seen without it.
    followed : ndarray of bool, shape (n,)
        Whether the return was seen.
    max_weeks : int
        Longest wait counted as a return.

    Examples
    --------
    >>> found = tail_of(np.array([2] * 8 + [3, 4, 6]), np.array([True] * 10 + [False]), 26)
    >>> found.begin, found.n_at_risk, found.n_back, found.share
    (3, 2, 2, 0.75)
    """
    at_risk = np.array([(weeks >= k).sum() for k in range(max_weeks + 1)])
    few = np.flatnonzero(at_risk < LEAST_AT_RISK)
    if not len(few):
        return None
    begin = max(1, int(few[0]))
    in_tail = weeks >= begin
    seen = weeks[in_tail & followed & (weeks <= max_weeks)]
    when = np.bincount(seen, minlength=max_weeks + 1).astype(float)[: max_weeks + 1]
    # the two returns or losses of the prior may fall in any week up to the usual largest, or the next two months
    end = min(max_weeks, max(USUAL_LARGEST, begin + 8))
    when[begin : end + 1] += _PRIOR[0] / (end - begin + 1)
    told = int((in_tail & ~followed & (weeks >= USUAL_LARGEST)).sum())
    return Tail(begin, len(seen) + told, len(seen), when / when.sum())


def settled(pmf: FloatArray, tail: Tail | None, share: float | None = None) -> FloatArray:
    """A distribution of returns with its tail taken together.

    Parameters
    ----------
    pmf : ndarray of float, shape (weeks,)
        Product-limit estimate.
    tail : Tail or None
        Of :func:`tail_of`.
    share : float in [0, 1], optional
        Share of those not back when the tail begins who return; by default that of the tail.

    Examples
    --------
    >>> tail = Tail(3, 1, 1, np.array([0.0, 0.0, 0.0, 1.0]))
    >>> settled(np.array([0.0, 0.0, 0.4, 0.6]), tail).round(9).tolist()
    [0.0, 0.0, 0.4, 0.4]
    """
    if tail is None:
        return pmf
    out = pmf.copy()
    out[tail.begin :] = 0.0
    left = max(0.0, 1.0 - out.sum())
    return np.asarray(out + left * (tail.share if share is None else share) * tail.weeks)
