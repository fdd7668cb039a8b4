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
from retreat.planning.dates import first_monday
from retreat.planning.gaps import Gaps
from retreat.planning.going_on import going_on, going_on_new
from retreat.planning.second_eyes import SecondEyes
from retreat.planning.span_totals import Span, mixed_total
from retreat.planning.standing import OpenCases, open_cases
from retreat.planning.starts import Rates
from retreat.planning.timetable import sessions_within, slot_counts, slots_by_session
from retreat.planning.totals import mixed_slots, shares

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import Model

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
PARTS = ("open", "waiting", "second_eyes", "new")
SPANS = (4, 8, 13)
# chances kept at once: cases by draws by further sessions, 96 MB
_MOST_VALUES = 12_000_000
_LEAST_DRAWS = 50
# at least so many rows of draws, each with a chance of second eyes of its own
_LEAST_ROWS = 200


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
        Mean slots a week of the cases in treatment (`open`), of those known and waiting for their first session
        (`waiting`), of second eyes (`second_eyes`) and of new starts (`new`); they add to the mean of `weekly`.
    n_open : int
        Open cases with a chance to return, those that wait for their first session included.
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
    Draws are shared evenly between the plausible laws of the gaps; given gaps are taken as known.

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
    further = max(sessions_within(law, weeks) for law in gaps.laws)
    standing, n_open = _with_chance(standing, gaps), int(standing.may_return.sum())
    further += int(standing.waiting.any())
    wanted = min(draws, model.parameters.n_draws)
    affordable = max(_LEAST_DRAWS, _MOST_VALUES // (max(1, len(standing.cases)) * further))
    course = going_on(model, standing.cases, further=further, draws=min(draws, affordable))
    new_stay = new_course(model, cases, further, len(course.stay), arrivals, second_eyes)
    rows = shares(len(course.stay), len(gaps.laws))
    rates = Rates.drawn(arrivals, second_eyes, _alike(new_stay, rows), weeks, seed)
    first = [_padded(standing.under(law).first, weeks) for law in gaps.laws]
    use = np.stack(
        [
            slots_by_session(one, law, weeks=weeks, sessions=further)
            for one, law in zip(first, gaps.laws, strict=True)
        ]
    )  # (laws, clocks, further, weeks)
    since_start = np.concatenate(
        [
            new_stay[part] @ slots_by_session(law.pmf, law, weeks=weeks, sessions=further)
            for part, law in zip(rows, gaps.laws, strict=True)
        ]
    )  # (draws, weeks)
    since_start[:, 0] = 1.0  # the first session itself; gaps are at least a week
    counts = rates.counts(since_start)
    weekly = mixed_slots(course.stay, standing.clock, use=use, counts=counts)
    spans = tuple(span for span in SPANS if span <= weeks)
    totals = _totals(course.stay, standing, first, gaps, spans, further, new_stay, rates) if spans else {}
    of_case = np.zeros((len(standing.cases), weeks))
    for part, of_law in zip(rows, use, strict=True):
        summed = course.stay[part].sum(axis=0)
        of_case += np.einsum("ij,ijw->iw", summed, of_law[standing.clock]) / len(course.stay)
    parts = {
        "open": of_case[~standing.waiting].sum(axis=0),
        "waiting": of_case[standing.waiting].sum(axis=0),
        "second_eyes": rates.second_mean(since_start),
        "new": rates.new_mean(since_start),
    }
    notes = (*standing.notes, *course.notes, *gaps.notes, *arrivals.notes, *_fewer(wanted, affordable))
    return Demand(
        first_monday(today), weekly, totals, parts, n_open, tuple(dict.fromkeys(notes)), model.card.cautions
    )


def _with_chance(standing: OpenCases, gaps: Gaps) -> OpenCases:
    """Without the cases that no law of the gaps brings back: they use no slot."""
    back = np.max([standing.under(law).back for law in gaps.laws], axis=0, initial=0.0)
    return standing.only(np.flatnonzero((back > 0.0) | standing.may_return))


def _alike(new_stay: FloatArray, laws: tuple[slice, ...]) -> NDArray[np.intp]:
    """Row of each draw; draws of a row share the course of a new case and the law of the gaps."""
    begins = np.zeros(len(new_stay), dtype=bool)
    begins[1:] = (new_stay[1:] != new_stay[:-1]).any(axis=1)
    begins[[part.start for part in laws if part.start < len(begins)]] = True
    if begins.sum() < _LEAST_ROWS // 2:
        begins[:: max(1, len(begins) // _LEAST_ROWS)] = True
    begins[0] = False
    return np.cumsum(begins).astype(np.intp)


def _fewer(wanted: int, affordable: int) -> tuple[str, ...]:
    if affordable >= wanted:
        return ()
    return (f"so many cases are open that {affordable:,} of {wanted:,} draws of the model were used",)


def new_course(
    model: Model, cases: pd.DataFrame, further: int, draws: int, arrivals: Arrivals, second_eyes: SecondEyes
) -> FloatArray:
    """Chances of further sessions of a new case, shape (draws, further); 0 where nobody comes."""
    waiting = (cases["ending"].eq("ongoing") & cases["sessions"].eq(0)).any()
    coming = arrivals.rate.any() or (second_eyes.eligible and second_eyes.chance.any())
    nobody = not coming and not (waiting and second_eyes.chance.any())
    if nobody or not (cases["sessions"] > 0).any():
        return np.zeros((draws, further))
    return going_on_new(model, cases, further=further, draws=draws)


def _padded(first: tuple[FloatArray, ...], weeks: int) -> FloatArray:
    """One row a clock; a row of nothing where there is no case."""
    out = np.zeros((max(1, len(first)), weeks))
    for row, chances in zip(out, first, strict=False):
        row[: len(chances)] = chances[:weeks]
    return out


def _totals(
    stay: FloatArray,
    standing: OpenCases,
    first: list[FloatArray],
    gaps: Gaps,
    spans: tuple[int, ...],
    further: int,
    new_stay: FloatArray,
    rates: Rates,
) -> dict[int, FloatArray]:
    """Distribution of the slots of all cases over each span."""
    by_law = [
        slot_counts(one, law, spans=spans, sessions=further)
        for one, law in zip(first, gaps.laws, strict=True)
    ]
    longest = tuple(range(1, max(spans) + 1))
    # chances of at least b slots after the first session within a span that begins with it, (slots, further)
    from_start = [slot_counts(law.pmf, law, spans=longest, sessions=further) for law in gaps.laws]
    rows = shares(len(stay), len(gaps.laws))
    out = {}
    for k, span in enumerate(spans):
        # of a start in week s of the span: its first session, and what falls into the remaining weeks
        later = np.zeros((span, len(new_stay), span + 1))
        later[:, :, 0] = 1.0
        for week in range(span):
            for part, of_law in zip(rows, from_start, strict=True):
                after = new_stay[part] @ of_law[span - 1 - week].T
                later[week, part, 1 : after.shape[1] + 1] = after
        of_all = Span(
            stay, standing.clock, np.stack([tails[k] for tails in by_law]), later, rates.new[:, :span],
            rates.lag[:, :span], *rates.second(span), rates.row, rates.size,
            np.repeat(np.arange(len(rows)), [part.stop - part.start for part in rows]),
        )  # fmt: skip
        out[span] = mixed_total(of_all)
    return out
