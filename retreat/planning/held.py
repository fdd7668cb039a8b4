"""Earlier plans held against what happened."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat.planning.dates import NO_DATE, day_number, last_whole_week, visit_days
from retreat.planning.plan_log import MONTH, LoggedPlan, quantile_of, shares

if TYPE_CHECKING:
    import pandas as pd

BAND = (0.1, 0.9)


@dataclass(frozen=True)
class Held:
    """A forecast held against what happened.

    Parameters
    ----------
    made, start : date
        Day it was made; first Monday of the time it speaks of.
    low, middle, high : int
        Slots: 10%, 50% and 90% point.
    actual : int
        Slots used.
    nominal : float in [0, 1]
        Chance the forecast gave to lie from `low` to `high`; above 0.8 since slots are whole. Where slots were limited,
        given that fewer than those open were needed.
    at_least : bool
        Whether every slot open was used, so that more may have been needed than `actual`.
    """

    made: date
    start: date
    low: int
    middle: int
    high: int
    actual: int
    nominal: float
    at_least: bool = False

    @property
    def inside(self) -> bool:
        """Whether what happened lies in the 80% band; nothing is said by a week in which every slot was used."""
        return self.low <= self.actual <= self.high

    @property
    def verdict(self) -> str:
        """Inside, outside, or not known.

        Examples
        --------
        >>> Held(date(2026, 1, 1), date(2026, 1, 5), 8, 11, 14, 12, 0.84, at_least=True).verdict
        'not known'
        """
        if self.at_least and self.actual <= self.high:
            return "not known"
        return "inside" if self.inside else "outside"


@dataclass(frozen=True)
class Coverage:
    """Earlier plans held against the visits since.

    Weeks in which every slot open was used hold only that at least so many were needed: they are left out of the
    running counts.

    Parameters
    ----------
    weeks : tuple of Held
        Each past week by the last plan made before it, oldest first.
    month : Held or None
        The last four-week forecast whose weeks are all past.
    n_undated : int
        Visits whose day is not recorded; they are missing in `actual`.
    """

    weeks: tuple[Held, ...]
    month: Held | None
    n_undated: int

    @property
    def n_inside(self) -> int:
        """Judged weeks in their 80% band."""
        return sum(one.inside for one in self.judged)

    @property
    def judged(self) -> tuple[Held, ...]:
        """Weeks in which some slot was free, or no capacity was given."""
        return tuple(one for one in self.weeks if not one.at_least)

    @property
    def expected_inside(self) -> float:
        """Judged weeks that would lie in their band if every forecast were right."""
        return float(sum(one.nominal for one in self.judged))

    def to_json(self) -> dict[str, Any]:
        """Numbers in plain form."""
        return {
            "weeks": [_held_json(one) for one in self.weeks],
            "month": None if self.month is None else _held_json(self.month),
            "n_inside": self.n_inside,
            "expected_inside": self.expected_inside,
            "n_judged": len(self.judged),
            "n_undated": self.n_undated,
        }

    @property
    def words(self) -> tuple[str, ...]:
        """What was found, in sentences.

        Examples
        --------
        >>> one = Held(date(2026, 1, 1), date(2026, 1, 5), 8, 11, 14, 12, 0.84)
        >>> full = Held(date(2026, 1, 1), date(2026, 1, 12), 8, 11, 14, 12, 0.84, at_least=True)
        >>> for line in Coverage((one, full), None, 0).words: print(line)
        No plan of four weeks is past yet.
        1 of the last 1 week lay in its 80% band (0.8 expected of a right forecast).
        Left out: 1 week in which every slot open was used, so that more may have been needed.
        """
        lines = []
        if self.month is None:
            lines.append("No plan of four weeks is past yet.")
        else:
            m = self.month
            used = f"used {m.actual}"
            verdict = f"{m.verdict} the band."
            if m.at_least:
                used = f"needed at least {m.actual}, since every slot open was used in some week"
                verdict = "outside the band." if m.verdict == "outside" else "no verdict."
            lines.append(
                f"Four weeks from {m.start.isoformat()}: forecast {m.middle} slots (80% band {m.low} to {m.high}), "
                f"{used}: {verdict}"
            )
        n_full = len(self.weeks) - len(self.judged)
        if self.judged:
            n = len(self.judged)
            plural = "week lay in its" if n == 1 else "weeks lay in their"
            lines.append(
                f"{self.n_inside} of the last {n} {plural} 80% band "
                f"({self.expected_inside:.1f} expected of a right forecast)."
            )
        if n_full:
            plural = "week" if n_full == 1 else "weeks"
            lines.append(
                f"Left out: {n_full} {plural} in which every slot open was used, so that more may have been needed."
            )
        if self.n_undated:
            lines.append(f"{self.n_undated} visits bear no day and are not counted as used.")
        return tuple(lines)


def coverage(
    plans: Sequence[LoggedPlan], cases: pd.DataFrame, visits: pd.DataFrame, *, today: date
) -> Coverage:
    """Earlier plans held against the visits since; weeks that are not whole by `today` are left aside.

    Parameters
    ----------
    plans : sequence of LoggedPlan
        From :func:`read_plans`.
    cases, visits : DataFrame
        Sound tables; each row of `visits` used one slot, missed ones included. A missed booking before the first
        session counts for nothing: plans hold first sessions that take place.
    today : date
        Last day the tables know of. A week is whole from its Friday on, as everywhere in a plan.
    """
    every = visit_days(cases, visits)
    before_first = ((visits["session"] == 1) & (visits["missed"] == "yes")).to_numpy(dtype=bool)
    taken, days = np.sort(every), np.sort(every[~before_first])
    n_undated = int((every == NO_DATE).sum())
    whole = last_whole_week(today)

    def used(start: date, weeks: int, of: NDArray[np.int64] = days) -> int:
        first = day_number(start)
        return int(np.searchsorted(of, first + 7 * weeks) - np.searchsorted(of, first))

    def is_past(start: date, weeks: int) -> bool:
        return day_number(start) // 7 + weeks - 1 <= whole

    def room(one: LoggedPlan, w: int) -> int | None:
        return None if one.open is None else one.open[w]

    def full(one: LoggedPlan, w: int) -> bool:
        slots = room(one, w)
        return slots is not None and used(one.start + timedelta(days=7 * w), 1, taken) >= slots

    latest: dict[date, tuple[LoggedPlan, int]] = {}
    for one in sorted(plans, key=lambda p: (p.start, p.made)):
        for w in range(len(one.weeks)):
            latest[one.start + timedelta(days=7 * w)] = (one, w)
    weeks = tuple(
        _held(one.made, monday, one.weeks[w], used(monday, 1), room=room(one, w), at_least=full(one, w))
        for monday, (one, w) in sorted(latest.items(), key=lambda item: item[0])
        if is_past(monday, 1)
    )
    past = [one for one in plans if is_past(one.start, MONTH)]
    last = max(past, key=lambda p: (p.start, p.made), default=None)
    month = None
    if last is not None:
        some_full = any(full(last, w) for w in range(min(MONTH, len(last.weeks))))
        month = _held(
            last.made, last.start, last.month, used(last.start, MONTH), room=None, at_least=some_full
        )
    return Coverage(weeks, month, n_undated)


def _held_json(one: Held) -> dict[str, Any]:
    dates = {"made": one.made.isoformat(), "start": one.start.isoformat()}
    return asdict(one) | dates | {"inside": one.inside, "verdict": one.verdict}


def _held(
    made: date,
    start: date,
    week: tuple[int, tuple[float, ...]],
    actual: int,
    *,
    room: int | None,
    at_least: bool,
) -> Held:
    low, middle, high = (quantile_of(week, p) for p in (BAND[0], 0.5, BAND[1]))
    pmf, n = shares(week[1]), week[0] + np.arange(len(week[1]))
    below = np.ones(len(n), dtype=bool) if room is None else n < room
    some = float(pmf[below].sum())
    nominal = float(pmf[below & (n >= low) & (n <= high)].sum()) / some if some > 0 else 0.0
    return Held(made, start, low, middle, high, actual, nominal, at_least)
