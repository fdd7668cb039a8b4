"""Waiting for a slot, by discrete-event simulation: what is not done today waits, and is not lost.

Demand here can be put off: a case that finds no slot takes the next one, and its later sessions follow from there. The
machine is a resource of `simpy`; closed days hold it. The same resource is checked against the waiting times of
M/M/c (Erlang C) and M/G/1 (Pollaczek and Khinchine) in the tests.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from retreat.errors import Fault, FitError
from retreat.planning.capacity import Clinic, open_days, slots_open
from retreat.planning.courses import Case, Courses, pick_week

if TYPE_CHECKING:
    import simpy

FloatArray = NDArray[np.float64]

_CLOSURE, _PATIENT = -1, 0
_WORKDAYS = 5


@dataclass(frozen=True)
class Waits:
    """What waiting the simulated clinic had.

    Parameters
    ----------
    first, following : ndarray of float, shape (runs,)
        Mean days from asking to the first session, and from the day a later one was due to it; of those still
        waiting at the end, the days so far. NaN in a run without any.
    first_90, following_90 : float
        Days within which nine in ten were seen, all runs together; NaN without any.
    backlog : ndarray of int, shape (runs, weeks)
        Cases waiting at the end of each week.
    used : ndarray of int, shape (runs, weeks)
        Slots used, missed ones included.
    slots : ndarray of int, shape (weeks,)
        Slots open.
    unserved : float in [0, 1]
        Share of bookings still waiting at the end.
    """

    first: FloatArray
    following: FloatArray
    first_90: float
    following_90: float
    backlog: NDArray[np.int64]
    used: NDArray[np.int64]
    slots: NDArray[np.int64]
    unserved: float

    @property
    def idle(self) -> FloatArray:
        """Slots open and not used over all weeks, shape (runs,)."""
        return np.asarray(np.maximum(self.slots - self.used, 0).sum(axis=1), dtype=float)

    @property
    def sentence(self) -> str:
        """Backlog in words."""
        end = self.backlog[:, -1]
        low, high = (int(np.quantile(end, p, method="inverted_cdf")) for p in (0.1, 0.9))
        more = f" Still waiting at the end: {100 * self.unserved:.0f}% of bookings, counted with the days so far."
        return (
            f"After {self.backlog.shape[1]} weeks {low} to {high} cases wait for a slot "
            f"(80% of {len(end)} simulated clinics)." + (more if self.unserved > 0.005 else "")
        )

    def rows(self) -> list[tuple[str, str, str]]:
        """Kind of session, mean wait and the wait of nine in ten, in days, as shown."""
        return [
            (name, _days(_mean(mean)), _days(ninety))
            for name, mean, ninety in (
                ("first session", self.first, self.first_90),
                ("later session, after it was due", self.following, self.following_90),
            )
        ]

    def to_json(self) -> dict[str, Any]:
        """Numbers in plain lists, None for what no run had."""
        return {
            "runs": len(self.first),
            "first_mean_days": _plain(_mean(self.first)),
            "first_90_days": _plain(self.first_90),
            "following_mean_days": _plain(_mean(self.following)),
            "following_90_days": _plain(self.following_90),
            "backlog_mean": self.backlog.mean(axis=0).tolist(),
            "unserved": self.unserved,
        }


@dataclass
class _Booking:
    is_first: bool
    due: float
    served: float
    slots: int


def waits_of_station(arrivals: ArrayLike, services: ArrayLike, *, servers: int) -> FloatArray:
    """Waiting times of customers served in the order they come, by so many servers.

    Parameters
    ----------
    arrivals : array_like of float, shape (customers,)
        Times of arrival, rising.
    services : array_like of float, shape (customers,)
        Times of service.
    servers : int, at least 1
        Servers side by side.

    Returns
    -------
    ndarray of float, shape (customers,)

    Examples
    --------
    >>> waits_of_station([0.0, 1.0, 1.5], [2.0, 2.0, 2.0], servers=1).tolist()
    [0.0, 1.0, 2.5]
    """
    import simpy

    env = simpy.Environment()
    station = simpy.PriorityResource(env, capacity=servers)
    came, length = np.asarray(arrivals, dtype=float), np.asarray(services, dtype=float)
    found = np.zeros(len(came))

    def customer(i: int) -> Generator[simpy.Event, Any, None]:
        yield env.timeout(came[i])
        began = yield from _seen(env, station, length[i])
        found[i] = began - came[i]

    for i in range(len(came)):
        env.process(customer(i))
    env.run()
    return found


def simulate(
    courses: Courses,
    clinic: Clinic,
    *,
    keep: Callable[[Case], bool] | None = None,
) -> Waits:
    """Run a clinic through the drawn courses.

    Parameters
    ----------
    courses : Courses
        From :func:`retreat.planning.courses.draw_courses`.
    clinic : Clinic
        Its days, closures, lasers and slots.
    keep : callable, optional
        Which cases come; by default all but the extra ones.

    Returns
    -------
    Waits

    Raises
    ------
    FitError
        If there is no run.
    """
    if not courses.runs:
        raise FitError(Fault("runs", "0", "at least 1 run"))
    kept = keep or _as_now
    days = [
        ((day - courses.start).days, clinic.sessions_on(day.weekday()))
        for day in open_days(clinic, courses.start, courses.weeks)
    ]
    slots = slots_open(clinic, courses.start, courses.weeks)
    runs = [_run([c for c in run if kept(c)], courses, clinic, days) for run in courses.runs]
    end = 7 * courses.weeks
    first = [_waited(run, end, is_first=True) for run in runs]
    following = [_waited(run, end, is_first=False) for run in runs]
    bookings = [b for run in runs for b in run]
    unserved = float(np.mean([b.served >= end for b in bookings])) if bookings else 0.0
    return Waits(
        np.array([_mean(w) for w in first]),
        np.array([_mean(w) for w in following]),
        _ninety(first),
        _ninety(following),
        np.array([_backlog(run, courses.weeks) for run in runs]),
        np.array([_used(run, courses.weeks) for run in runs]),
        slots,
        unserved,
    )


def _as_now(case: Case) -> bool:
    return not case.is_extra


def _run(
    cases: Iterable[Case], courses: Courses, clinic: Clinic, days: Sequence[tuple[int, int]]
) -> list[_Booking]:
    """One run: bookings with the day they were due and served; time runs in slots, a day's after one another."""
    import simpy

    per_day = clinic.sessions_per_day
    bookings: list[_Booking] = []
    weekdays = clinic.weekdays
    if not days or not per_day or not weekdays:
        # nothing is ever open: everybody who asks waits
        for case in cases:
            bookings.append(_Booking(case.is_first, _first_day(case, weekdays), np.inf, len(case.needed)))
        return bookings
    env = simpy.Environment()
    lasers = simpy.PriorityResource(env, capacity=clinic.machines)
    for _ in range(clinic.machines):
        env.process(_closures(env, lasers, _closed(days, 7 * courses.weeks, per_day)))
    for case in cases:
        env.process(_course(env, lasers, case, courses, per_day, weekdays, bookings))
    # a day more, for a session that ends as the last day does; what begins in it counts as still waiting
    env.run(until=(7 * courses.weeks + 1) * per_day)
    return bookings


def _course(
    env: simpy.Environment,
    lasers: simpy.PriorityResource,
    case: Case,
    courses: Courses,
    per_day: int,
    weekdays: Sequence[int],
    bookings: list[_Booking],
) -> Generator[simpy.Event, Any, None]:
    needed = list(case.needed)
    day = _first_day(case, weekdays)
    is_first = case.is_first
    for k in range(len(case.gaps)):
        if day >= 7 * courses.weeks:
            return
        yield env.timeout(max(day * per_day - env.now, 0))
        now = [i for i, left in enumerate(needed) if left > 0]
        booking = _Booking(is_first, day, np.inf, len(now))
        bookings.append(booking)
        began = yield from _seen(env, lasers, len(now))
        booking.served = seen = int(began // per_day)
        # new starts are counted when attended, so that theirs is never missed; of those known to wait it may be
        if (not is_first or case.week < 0) and case.missed[k] < courses.gaps.missed:
            ahead = pick_week(courses.gaps.rebooked, case.rebooked[k])
        else:
            is_first = False
            for i in now:
                needed[i] -= 1
            if not any(left > 0 for left in needed):
                return
            ahead = pick_week(courses.gaps.pmf, case.gaps[k])
        if ahead is None:
            return
        day = 7 * (seen // 7 + ahead) + _weekday(case.day, weekdays)


def _seen(
    env: simpy.Environment, station: simpy.PriorityResource, length: float
) -> Generator[simpy.Event, Any, float]:
    """Wait for a turn and take it; hands back when it began."""
    with station.request(priority=_PATIENT) as turn:
        yield turn
        began = float(env.now)
        yield env.timeout(length)
    return began


def _closures(
    env: simpy.Environment, lasers: simpy.PriorityResource, closed: Sequence[tuple[int, int]]
) -> Generator[simpy.Event, Any, None]:
    for begins, ends in closed:
        # half a slot early, ahead of patients: the session then under way is finished, and none begins after closing
        yield env.timeout(max(begins - 0.5 - env.now, 0))
        with lasers.request(priority=_CLOSURE) as turn:
            yield turn
            yield env.timeout(max(ends - env.now, 0))


def _closed(days: Sequence[tuple[int, int]], end: int, per_day: int) -> list[tuple[int, int]]:
    """Spans of closed time in slots, from days with the slots each has.

    Examples
    --------
    >>> _closed([(0, 6), (3, 3)], 7, 6)
    [(6, 18), (21, 42)]
    """
    spans = []
    now = 0
    for day, open_slots in days:
        if day * per_day > now:
            spans.append((now, day * per_day))
        now = day * per_day + open_slots
    return [*spans, (now, end * per_day)] if now < end * per_day else spans


def _first_day(case: Case, weekdays: Sequence[int]) -> int:
    """Day of the first booking: any workday for one that asks, a clinic day for one that was told when."""
    within = int(case.day * _WORKDAYS) if case.is_first else _weekday(case.day, weekdays)
    return 7 * case.week + within


def _weekday(u: float, weekdays: Sequence[int]) -> int:
    return weekdays[int(u * len(weekdays))] if weekdays else 0


def _waited(run: Iterable[_Booking], end: int, *, is_first: bool) -> FloatArray:
    return np.array([min(b.served, end) - b.due for b in run if b.is_first == is_first], dtype=float)


def _backlog(run: Iterable[_Booking], weeks: int) -> list[int]:
    due, served = _columns(run)
    return [int(((due < 7 * w) & (served >= 7 * w)).sum()) for w in range(1, weeks + 1)]


def _used(run: Iterable[_Booking], weeks: int) -> NDArray[np.int64]:
    found = np.zeros(weeks, dtype=np.int64)
    for b in run:
        if b.served < 7 * weeks:
            found[int(b.served) // 7] += b.slots
    return found


def _columns(run: Iterable[_Booking]) -> tuple[FloatArray, FloatArray]:
    pairs = [(b.due, b.served) for b in run]
    both = np.array(pairs, dtype=float).reshape(len(pairs), 2)
    return both[:, 0], both[:, 1]


def _ninety(waited: Sequence[FloatArray]) -> float:
    every = np.concatenate(list(waited)) if waited else np.array([])
    return float(np.quantile(every, 0.9, method="inverted_cdf")) if every.size else float("nan")


def _mean(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else float("nan")


def _days(value: float) -> str:
    return "none asked" if value != value else f"{value:.1f}"


def _plain(value: float) -> float | None:
    return None if value != value else value
