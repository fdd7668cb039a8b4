"""Slots needed a week: open cases, second eyes and new starts, as exact distributions mixed over draws."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.planning.arrivals import Arrivals
from retreat.planning.dates import NO_DATE, check_not_later, day_number, first_monday, start_days, visit_days
from retreat.planning.gaps import Gaps
from retreat.planning.going_on import going_on, going_on_new
from retreat.planning.second_eyes import SecondEyes
from retreat.planning.span_totals import Span, mixed_total
from retreat.planning.timetable import sessions_within, slot_counts, slots_by_session
from retreat.planning.totals import Counts, mixed_slots

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import Model

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
PARTS = ("open", "second_eyes", "new")
SPANS = (4, 8, 13)
# chances kept at once: cases by draws by further sessions, 96 MB
_MOST_VALUES = 12_000_000
_LEAST_DRAWS = 50


@dataclass(frozen=True)
class Demand:
    """Distribution of the slots needed, each week and over the first so many weeks.

    Parameters
    ----------
    start : date
        Monday of week 1.
    weekly : ndarray of float, shape (weeks, slots + 1)
        Entry n of a row is the chance that the week needs exactly n slots; mixed over the draws.
    totals : mapping of int to ndarray of float, shape (slots + 1,)
        For the first so many weeks together, the chance of exactly n slots.
    parts : mapping of str to ndarray of float, shape (weeks,)
        Mean slots a week of the open cases (`open`), of second eyes (`second_eyes`) and of new starts (`new`);
        they add to the mean of `weekly`.
    n_open : int
        Open cases counted.
    notes, cautions : tuple of str
        What the reader must know of this plan, and of the model.

    Examples
    --------
    >>> one = Demand(date(2026, 11, 30), np.array([[0.25, 0.5, 0.25]]), {}, {"open": np.array([1.0])}, 4)
    >>> one.mean.tolist(), one.quantiles((0.1, 0.5, 0.9)).ravel().tolist()
    ([1.0], [0, 1, 2])
    """

    start: date
    weekly: FloatArray
    totals: Mapping[int, FloatArray]
    parts: Mapping[str, FloatArray]
    n_open: int
    notes: tuple[str, ...] = field(default=())
    cautions: tuple[str, ...] = field(default=())

    @property
    def weeks(self) -> int:
        """Weeks ahead."""
        return len(self.weekly)

    @property
    def mean(self) -> FloatArray:
        """Mean slots of each week, shape (weeks,)."""
        return np.asarray(self.weekly @ np.arange(self.weekly.shape[1]))

    def quantiles(self, probabilities: tuple[float, ...]) -> NDArray[np.int64]:
        """Fewest slots that are enough with each probability, shape (probabilities, weeks)."""
        return np.stack([quantile(self.weekly, p) for p in probabilities])

    def beyond(self, open_slots: NDArray[np.int64]) -> FloatArray:
        """Chance that each week needs more slots than are open, shape (weeks,)."""
        n = np.arange(self.weekly.shape[1])
        return np.asarray((self.weekly * (n[None, :] > np.asarray(open_slots)[:, None])).sum(axis=1))

    def table(self) -> pd.DataFrame:
        """One row a week: week, monday, mean, low, middle, high (10, 50, 90%) and the mean of each part."""
        import pandas as pd  # heavy: only whoever asks for a table pays for it

        low, middle, high = self.quantiles((0.1, 0.5, 0.9))
        mondays = [(self.start + timedelta(weeks=w)).isoformat() for w in range(self.weeks)]
        return pd.DataFrame(
            {"week": np.arange(1, self.weeks + 1), "monday": mondays, "mean": self.mean}
            | {"low": low, "middle": middle, "high": high}
            | {name: np.asarray(values) for name, values in self.parts.items()}
        )

    def totals_table(self) -> pd.DataFrame:
        """One row a span: weeks, mean, and the 2.5, 10, 50, 90, 97.5% quantiles of its slots."""
        import pandas as pd

        rows = []
        for weeks, pmf in self.totals.items():
            at = {f"p{100 * p:g}": int(quantile(pmf, p)) for p in (0.025, 0.1, 0.5, 0.9, 0.975)}
            rows.append({"weeks": weeks, "mean": float(pmf @ np.arange(len(pmf))), **at})
        return pd.DataFrame(rows)


def quantile(pmf: FloatArray, probability: float) -> NDArray[np.int64]:
    """Fewest slots n with a chance of at most n of at least `probability`, over the last axis of `pmf`.

    Examples
    --------
    >>> int(quantile(np.array([0.25, 0.5, 0.25]), 0.8))
    2
    """
    if not 0.0 <= probability <= 1.0:
        raise ValueError(f"probability {probability!r} must lie in [0, 1]")
    reached = np.cumsum(pmf, axis=-1) >= probability - 1e-9
    reached[..., -1] = True
    return np.asarray(np.argmax(reached, axis=-1), dtype=np.int64)


@dataclass(frozen=True)
class OpenCases:
    """Where each open case stands in its timetable on the first day of the plan.

    Parameters
    ----------
    cases : DataFrame
        The open cases that have begun, in the order of the table.
    clock : ndarray of int, shape (cases,)
        Which row of `first` each case follows.
    first : tuple of ndarray of float
        For each clock, the chance that the next booking falls in each week from week 1, given none so far.
    weeks_since : ndarray of int, shape (cases,)
        Calendar weeks since the last booking: 1 in the week after it.
    notes : tuple of str
        What the reader must know.
    """

    cases: pd.DataFrame
    clock: NDArray[np.intp]
    first: tuple[FloatArray, ...]
    weeks_since: IntArray
    notes: tuple[str, ...] = ()


def open_cases(
    cases: pd.DataFrame, gaps: Gaps, *, today: date, visits: pd.DataFrame | None = None
) -> OpenCases:
    """The open cases that have begun, with the weeks since their last booking.

    Parameters
    ----------
    cases : DataFrame
        The typed `cases`. Those not yet begun are left to the new starts, which they belong to.
    gaps : Gaps
        When the next booking follows.
    today : date
        Day on which the tables were closed. Bookings of a week that has begun by then and may go on are taken to
        be over: plan on a Friday, at the weekend or on a Monday.
    visits : DataFrame, optional
        The typed `visits`. Without them the last session is placed by the mean gap, and noted.

    Raises
    ------
    FitError
        If a start bears only a year, or a date lies after today.
    """
    start = start_days(cases)
    check_not_later(start, today, where="started")
    begun = cases["ending"].eq("ongoing").to_numpy(dtype=bool) & (cases["sessions"] > 0).to_numpy(dtype=bool)
    kept = cases[begun].reset_index(drop=True)
    waiting = int((cases["ending"].eq("ongoing") & cases["sessions"].eq(0)).sum())
    notes = [f"{waiting} cases not yet begun are among the new starts"] if waiting else []
    last, missed = _last_bookings(cases, visits, today) if visits is not None else (None, None)
    if last is None or missed is None:
        sessions = kept["sessions"].to_numpy(dtype=float)
        between = gaps.mean_weeks if np.isfinite(gaps.mean_weeks) else 0.0
        day = np.minimum(
            start[begun] + np.rint(7 * between * (sessions - 1)).astype(np.int64), day_number(today)
        )
        absent = np.zeros(len(kept), dtype=bool)
        if len(kept):
            notes.append("without visits, last sessions were placed by the usual gap")
    else:
        day, absent = np.where(last[begun] == NO_DATE, start[begun], last[begun]), missed[begun]
    since = np.maximum(day_number(first_monday(today)) // 7 - day // 7, 0)
    kinds, clock = np.unique(np.stack([since, absent.astype(np.int64)], axis=1), axis=0, return_inverse=True)
    first = tuple(
        gaps.after_missed(int(weeks)) if was_missed else gaps.after(int(weeks)) for weeks, was_missed in kinds
    )
    return OpenCases(kept, clock.reshape(-1).astype(np.intp), first, since, tuple(notes))


def demand(
    model: Model,
    cases: pd.DataFrame,
    gaps: Gaps,
    arrivals: Arrivals,
    second_eyes: SecondEyes,
    *,
    today: date,
    weeks: int = 26,
    visits: pd.DataFrame | None = None,
    draws: int = 4000,
    seed: int = 1,
) -> Demand:
    """Slots needed in each week ahead, from open cases, second eyes and new starts.

    Given a draw of the parameters every case goes on independently of the others: the chance that an open case uses a
    slot of a week is the sum over its further sessions of the chance of needing that session (the model's, given
    those done) and the chance that a booking for it falls in the week. New starts thin to Poisson or negative
    binomial counts, second eyes to binomial ones. The distributions are exact given the draw, and mixed over draws.
    The gaps are taken as known.

    Parameters
    ----------
    model : Model
        Forecasts the sessions.
    cases : DataFrame
        The typed `cases`.
    gaps : Gaps
        Of :func:`retreat.planning.gaps.fit_gaps` or :func:`retreat.planning.gaps.assumed_gaps`.
    arrivals : Arrivals
        At least as many weeks ahead as `weeks`.
    second_eyes : SecondEyes
        Of :func:`retreat.planning.second_eyes.fit_second_eyes`.
    today : date
        Day on which the tables were closed; week 1 begins on the Monday on or after it.
    weeks : int, 1 to 104
        Weeks ahead.
    visits : DataFrame, optional
        The typed `visits`, for the day of each case's last booking.
    draws : int
        Draws used, at most those of the model.
    seed : int
        Pairs the draws of the model with those of the rates.

    Returns
    -------
    Demand

    Raises
    ------
    FitError
        If `weeks` or `draws` is out of range, the arrivals reach less far, a date lies after today or is only a
        year, or the model refuses.
    """
    if not 1 <= weeks <= 104:
        raise FitError(Fault("weeks", f"{weeks!r}", "1 to 104 weeks ahead"))
    if draws < 1:
        raise FitError(Fault("draws", f"{draws!r}", "a whole number of at least 1"))
    arrivals.check_reaches(weeks)
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1):  # many small products: threads would only wait for each other
        return _demand(model, cases, gaps, arrivals, second_eyes, today, weeks, visits, draws, seed)


def _demand(
    model: Model,
    cases: pd.DataFrame,
    gaps: Gaps,
    arrivals: Arrivals,
    second_eyes: SecondEyes,
    today: date,
    weeks: int,
    visits: pd.DataFrame | None,
    draws: int,
    seed: int,
) -> Demand:
    standing = open_cases(cases, gaps, today=today, visits=visits)
    further = sessions_within(gaps, weeks)
    n_open = len(standing.cases)
    affordable = max(_LEAST_DRAWS, _MOST_VALUES // (max(1, n_open) * further))
    course = going_on(model, standing.cases, further=further, draws=min(draws, affordable))
    new_stay = new_course(model, cases, further, len(course.stay), arrivals, second_eyes)
    rates = _Rates.drawn(arrivals, second_eyes, len(course.stay), weeks, seed)
    use = _slots(standing.first, gaps, weeks, further)
    a_new_one = slots_by_session(
        gaps.pmf, gaps, weeks=weeks, sessions=further
    )  # (further, weeks from the first)
    since_start = new_stay @ a_new_one  # (draws, weeks)
    since_start[:, 0] = 1.0  # the first session itself; gaps are at least a week
    counts = rates.counts(since_start)
    weekly = mixed_slots(course.stay, standing.clock, use=use, counts=counts)
    spans = tuple(span for span in SPANS if span <= weeks)
    totals = _totals(course.stay, standing, gaps, spans, further, new_stay, rates) if spans else {}
    of_open = (
        np.einsum("ij,ijw->w", course.stay.mean(axis=0), use[standing.clock]) if n_open else np.zeros(weeks)
    )
    parts = {
        "open": of_open,
        "second_eyes": rates.second_mean(since_start),
        "new": rates.new_mean(since_start),
    }
    notes = (*standing.notes, *course.notes, *gaps.notes, *arrivals.notes)
    return Demand(
        first_monday(today), weekly, totals, parts, n_open, tuple(dict.fromkeys(notes)), model.card.cautions
    )


def _last_bookings(
    cases: pd.DataFrame, visits: pd.DataFrame, today: date
) -> tuple[IntArray, NDArray[np.bool_]]:
    """Day of the last booking of each case, -1 where unknown, and whether it was missed."""
    import pandas as pd  # heavy: only whoever plans pays for it

    day = visit_days(cases, visits)
    check_not_later(day, today, where="visits")
    known = day != NO_DATE
    row = pd.Index(cases["case"]).get_indexer(visits["case"])
    known &= row >= 0
    missed = visits["missed"].eq("yes").to_numpy(dtype=bool)
    session = visits["session"].to_numpy(dtype=np.int64)
    order = np.lexsort((~missed, session, day))
    order = order[known[order]]
    last, absent = np.full(len(cases), NO_DATE, dtype=np.int64), np.zeros(len(cases), dtype=bool)
    last[row[order]], absent[row[order]] = day[order], missed[order]  # of several the last one stays
    return last, absent


def new_course(
    model: Model, cases: pd.DataFrame, further: int, draws: int, arrivals: Arrivals, second_eyes: SecondEyes
) -> FloatArray:
    """Chances of further sessions of a new case, shape (draws, further); 0 where nobody comes."""
    nobody = not arrivals.rate.any() and not (second_eyes.eligible and second_eyes.rate.any())
    if nobody or not (cases["sessions"] > 0).any():
        return np.zeros((draws, further))
    return going_on_new(model, cases, further=further, draws=draws)


def _slots(first: tuple[FloatArray, ...], gaps: Gaps, weeks: int, further: int) -> FloatArray:
    if not first:
        return np.zeros((1, further, weeks))
    return np.stack([slots_by_session(one, gaps, weeks=weeks, sessions=further) for one in first])


@dataclass(frozen=True)
class _Rates:
    """Rates of new starts and of second eyes, one row a draw of the plan."""

    new: FloatArray  # (draws, weeks) mean first starts
    size: FloatArray  # (draws,) infinite for Poisson
    second: FloatArray  # (draws, weeks) chance that an eligible patient's other eye begins
    eligible: int
    followers: FloatArray  # (draws, weeks) mean second eyes of the new starts themselves

    @classmethod
    def drawn(cls, arrivals: Arrivals, second_eyes: SecondEyes, draws: int, weeks: int, seed: int) -> _Rates:
        rng = np.random.default_rng([seed, 53])
        pick = _paired(len(arrivals.rate), draws, rng)
        rate = second_eyes.rate[_paired(len(second_eyes.rate), draws, rng)]
        new = arrivals.rate[pick, :weeks]
        begins = np.exp(-rate[:, None] * np.arange(weeks)) * -np.expm1(-rate)[:, None]
        # of a start in week s the other eye begins in week s + k, k >= 1, with the same chances
        followers = np.stack(
            [(new[:, :w] * begins[:, :w][:, ::-1]).sum(axis=1) for w in range(weeks)], axis=1
        )
        return cls(new, arrivals.dispersion[pick], begins, second_eyes.eligible, followers)

    def counts(self, since_start: FloatArray) -> Counts:
        """Slots of a week besides those of the open cases."""
        poisson = _after(self.followers, since_start)
        terms = np.zeros((len(poisson), 0, poisson.shape[1]))
        if np.isinf(self.size).all():
            poisson = poisson + _after(self.new, since_start)
            size = np.ones(len(poisson))
        else:
            terms, size = _lagged(self.new, since_start), np.minimum(self.size, 1e5)
        like = np.clip(_after(self.second, since_start), 0.0, 1.0)
        return Counts(poisson, terms, size, like, self.eligible)

    def new_mean(self, since_start: FloatArray) -> FloatArray:
        return np.asarray(_after(self.new, since_start).mean(axis=0))

    def second_mean(self, since_start: FloatArray) -> FloatArray:
        both = self.followers + self.eligible * self.second
        return np.asarray(_after(both, since_start).mean(axis=0))


def _paired(n: int, draws: int, rng: np.random.Generator) -> NDArray[np.intp]:
    """Which of n draws goes with each of so many: all of them as evenly as may be, in random order."""
    return np.asarray(rng.permutation(np.floor(np.arange(draws) * n / draws).astype(np.intp)))


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


def _totals(
    stay: FloatArray,
    standing: OpenCases,
    gaps: Gaps,
    spans: tuple[int, ...],
    further: int,
    new_stay: FloatArray,
    rates: _Rates,
) -> dict[int, FloatArray]:
    """Distribution of the slots of all cases over each span."""
    by_clock = [slot_counts(first, gaps, spans=spans, sessions=further) for first in standing.first]
    from_start = [_from_start(gaps, span, further) for span in range(1, max(spans) + 1)]
    out = {}
    for k, span in enumerate(spans):
        of_case = np.stack([tails[k] for tails in by_clock]) if by_clock else np.zeros((0, span, further))
        # of a start in week s of the span: its first session, and what falls into the remaining weeks
        later = np.zeros((span, len(new_stay), span + 1))
        later[:, :, 0] = 1.0
        for week in range(span):
            after = new_stay @ from_start[span - 1 - week].T
            later[week, :, 1 : after.shape[1] + 1] = after
        of_all = Span(
            stay, standing.clock, of_case, later, rates.new[:, :span], rates.followers[:, :span],
            rates.second[:, :span], rates.size, rates.eligible,
        )  # fmt: skip
        out[span] = mixed_total(of_all)
    return out


def _from_start(gaps: Gaps, span: int, further: int) -> FloatArray:
    """Chances of at least b slots after the first session within a span that begins with it, (slots, further)."""
    return slot_counts(gaps.pmf, gaps, spans=(span,), sessions=further)[0]
