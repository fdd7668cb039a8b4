"""Weeks from a session to the next booking, and how often a booking is missed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError

FloatArray = NDArray[np.float64]

# weeks from a missed booking to the next where none was seen: one to three, equally likely (common practice)
REBOOKED = (0.0, 1 / 3, 1 / 3, 1 / 3)


@dataclass(frozen=True)
class Gaps:
    """When the next booking follows, in calendar weeks, Monday to Sunday.

    Parameters
    ----------
    pmf : ndarray of float, shape (weeks,)
        Chance that the next booking falls so many weeks after an attended session, given that one is needed;
        entry 0 is the same week and is 0 (a second booking in the week of a session counts as the week after).
        Adds to `returning`.
    returning : float in [0, 1]
        Share that is ever booked again though in treatment; the rest is lost to follow-up.
    missed : float in [0, 1)
        Chance that a booking is missed. It uses its slot.
    rebooked : ndarray of float, shape (weeks,)
        Chance that the booking after a missed one falls so many weeks later, from index 1; adds to the share
        that is booked again after missing.
    n_gaps, n_censored : int
        Gaps seen, and gaps still open when the tables were closed.
    assumed : bool
        Whether the user gave the gap, so that nothing was learned from visits.
    notes : tuple of str
        What the reader must know.
    plausible : tuple of Gaps
        Equally likely laws that the visits do not rule out, over which a plan is mixed; none where the law is taken
        as known.

    Examples
    --------
    >>> gaps = assumed_gaps(4.0)
    >>> gaps.pmf.tolist(), gaps.returning
    ([0.0, 0.0, 0.0, 0.25, 0.5, 0.25], 1.0)
    >>> gaps.after(5).tolist()
    [1.0]
    """

    pmf: FloatArray
    returning: float
    missed: float
    rebooked: FloatArray
    n_gaps: int = 0
    n_censored: int = 0
    assumed: bool = False
    notes: tuple[str, ...] = field(default=())
    plausible: tuple[Gaps, ...] = field(default=(), repr=False)

    def __post_init__(self) -> None:
        for name, values in (("pmf", self.pmf), ("rebooked", self.rebooked)):
            if values.ndim != 1 or (values < 0).any() or values.sum() > 1 + 1e-9 or values[0] != 0.0:
                raise ValueError(f"{name} needs chances by week that add to at most 1, none in week 0")
        if not np.isclose(self.pmf.sum(), self.returning):
            raise ValueError("pmf must add to returning")
        if not 0.0 <= self.missed < 1.0:
            raise ValueError(f"missed {self.missed!r} must lie in [0, 1)")

    def after(self, elapsed_weeks: int) -> FloatArray:
        """Chance that the next booking falls so many weeks from now, given none in the weeks before.

        Parameters
        ----------
        elapsed_weeks : int, 0 or more
            Whole calendar weeks since the last session: 1 in the week after it. The week now begun (entry 0 of
            the answer) is the first in which a booking may fall.

        Returns
        -------
        ndarray of float, shape (weeks,)
            Adds to the share of such cases that ever come back; all 0 where none would so late.
        """
        return _given_not_yet(self.pmf, elapsed_weeks)

    def after_missed(self, elapsed_weeks: int) -> FloatArray:
        """As :meth:`after`, from a missed booking that nothing has followed."""
        return _given_not_yet(self.rebooked, elapsed_weeks)

    @property
    def laws(self) -> tuple[Gaps, ...]:
        """The laws a plan is mixed over: the plausible ones, or this one alone."""
        return self.plausible or (self,)

    def changed(self, change: Callable[[Gaps], Gaps]) -> Gaps:
        """The same change made to this law and to each plausible one."""
        return replace(change(self), plausible=tuple(change(law) for law in self.plausible))

    @property
    def mean_weeks(self) -> float:
        """Mean weeks to the next booking among those who return; NaN where nobody does."""
        return float(self.pmf @ np.arange(len(self.pmf)) / self.returning) if self.returning else float("nan")


def _given_not_yet(pmf: FloatArray, elapsed: int) -> FloatArray:
    if elapsed < 0:
        raise ValueError(f"elapsed weeks {elapsed!r} must be 0 or more")
    later = pmf[elapsed:]
    still = 1.0 - pmf[:elapsed].sum()
    return later / still if later.size and still > 1e-12 else np.zeros(1)


def assumed_gaps(weeks: float, *, missed: float = 0.0, learned: Gaps | None = None) -> Gaps:
    """Gaps where no visits tell of them: everyone returns after about so many weeks.

    Half of the bookings fall after the weeks given, a quarter each a week earlier and later (our judgement: a
    diary is never exact), never in the week of the session itself.

    Parameters
    ----------
    weeks : float, 1 to 52
        Mean weeks from a session to the next booking; a part of a week is split between the two whole weeks.
    missed : float in [0, 1)
        Chance that a booking is missed.
    learned : Gaps, optional
        Of the clinic's visits: who returns, what is missed and when it is booked again are taken from it, under each
        plausible law.

    Raises
    ------
    FitError
        If a value is out of range.

    Examples
    --------
    >>> assumed_gaps(2.5).pmf.tolist()
    [0.0, 0.125, 0.375, 0.375, 0.125]
    """
    if not 1.0 <= weeks <= 52.0:
        raise FitError(Fault("gap_weeks", f"{weeks!r}", "1 to 52 weeks between sessions"))
    if not 0.0 <= missed < 1.0:
        raise FitError(Fault("missed", f"{missed!r}", "a share of bookings, at least 0 and below 1"))
    whole = int(np.floor(weeks))
    pmf = np.zeros(whole + 3)
    for shift, share in ((-1, 0.25), (0, 0.5), (1, 0.25)):
        pmf[max(1, whole + shift)] += share * (1.0 - (weeks - whole))
        pmf[max(1, whole + shift + 1)] += share * (weeks - whole)
    pmf = np.trim_zeros(pmf, "b")
    told = f"the gap of {weeks:g} weeks was assumed, not learned from visits"
    if learned is not None:
        changed = learned.changed(lambda law: replace(law, pmf=law.returning * pmf))
        return replace(changed, assumed=True, notes=(told, *learned.notes))
    also = f"so were that all come back and that {100 * missed:.0f}% of bookings are missed"
    return Gaps(pmf, 1.0, missed, np.array(REBOOKED), assumed=True, notes=(told, also))
