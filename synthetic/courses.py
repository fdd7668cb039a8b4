"""What both laws hand to the tables: how each case went, and when its sessions were booked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic.scenario import Scenario

ONGOING, RELIEVED, STOPPED = 0, 1, 2
REASONS = ("no_benefit", "side_effect", "surgery", "choice")
# P02 (from memory): about four weeks between sessions, one to eight; the shares are invented.
WEEKS, WEEK_SHARE = np.arange(1, 9), [0.02, 0.10, 0.20, 0.34, 0.14, 0.12, 0.04, 0.04]


@dataclass(frozen=True)
class Courses:
    """How each case would go if nobody looked away; session axes count from session 1.

    `sessions` counts to the end of the course or to the session after which the patient was lost. The tables
    cut a course where the books close.
    """

    sessions: np.ndarray  # (cases,)
    ending: np.ndarray  # (cases,) ONGOING where lost
    reason: np.ndarray  # (cases,) index into REASONS, -1 unless stopped
    pulses: np.ndarray  # (cases, sessions) and so are all below
    energy_mj: np.ndarray
    cleared: np.ndarray  # NaN where a law has none
    fragments: np.ndarray  # 0 none, 1 few, 2 many, -1 where a law has none
    bother: np.ndarray
    event: np.ndarray  # 0 none, then lens_hit, retina_hit, pressure, other


@dataclass(frozen=True)
class Diary:
    """When the sessions of each case were booked, whatever became of it."""

    started: np.ndarray  # (cases,) day of the calendar, as `datetime.date.fromordinal` counts
    day: np.ndarray  # (cases, sessions) day on which the session takes place
    missed: np.ndarray  # (cases, sessions) the first booking of this session was missed
    missed_day: np.ndarray  # (cases, sessions) day of that first booking
    last_day: np.ndarray  # (cases,) day on which the books close
    begun: np.ndarray  # (cases,)

    @property
    def possible(self) -> np.ndarray:
        """Sessions that fit before the books close, shape (cases,)."""
        return np.where(self.begun, (self.day <= self.last_day[:, None]).sum(axis=1), 0)


def draw_diary(scenario: Scenario, rng: np.random.Generator) -> Diary:
    """Return the bookings of every case; they do not depend on how the course goes."""
    n, longest = scenario.cases, int(scenario.values["practice"]["max_sessions"])
    first, last, closed = (
        date.toordinal() for date in (scenario.first_start, scenario.last_start, scenario.closed)
    )
    started = rng.integers(first, last + 1, n)
    weekend = (started - 1) % 7 > 4  # day 1 of the calendar was a Monday
    started = np.where(weekend & (started - 2 >= first), started - 2, started)
    weeks = rng.choice(WEEKS, (n, longest), p=WEEK_SHARE)
    gap = 7 * weeks + rng.choice([-1, 0, 0, 0, 1], (n, longest))
    missed = rng.random((n, longest)) < scenario.values["practice"]["missed"]
    delay = np.where(missed, 7 * rng.integers(1, 4, (n, longest)), 0)
    # The first session is the origin of the days, so that a booking missed before it has none.
    gap[:, 0] = delay[:, 0] = missed[:, 0] = 0
    day = np.cumsum(gap + delay, axis=1)
    # Booked and not begun: half of the most recent cases of the window.
    begun = np.ones(n, dtype=bool)
    waiting = round(n * scenario.values["practice"]["not_begun"])
    if waiting:
        latest = np.argsort(started, kind="stable")[-2 * waiting :]
        begun[rng.permutation(latest)[:waiting]] = False
    return Diary(started, day, missed, day - delay, closed - started, begun)


def draw_operators(
    scenario: Scenario, patient: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Return the site and the operator of every case as numbers; a patient keeps both.

    Operators are numbered through all sites in the order of the scenario. Within a site the first is the
    busiest (shares 1, 1/2, 1/3, ..., invented).
    """
    sites = scenario.sites
    shares = np.array([site.share for site in sites])
    site = rng.choice(len(sites), len(patient), p=shares / shares.sum())[patient]
    first = np.concatenate([[0], np.cumsum([len(site.operators) for site in sites])])
    rare = int(scenario.values["practice"]["rare_operator_cases"])
    operator = np.zeros(len(patient), dtype=int)
    chance = rng.random(len(patient))[patient]
    for number, place in enumerate(sites):
        busy = 1 / np.arange(1, len(place.operators) + 1)
        if rare and number == len(sites) - 1:
            busy[-1] = 0
        rank = np.searchsorted(np.cumsum(busy) / busy.sum(), chance, side="right")
        operator = np.where(site == number, first[number] + np.minimum(rank, len(busy) - 1), operator)
    if rare:
        chosen = rng.permutation(len(patient))[:rare]
        operator[chosen], site[chosen] = first[-1] - 1, len(sites) - 1
    return site, operator
