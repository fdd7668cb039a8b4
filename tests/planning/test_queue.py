"""The queue against theory, and the clinic that runs on it."""

from __future__ import annotations

from datetime import date
from math import factorial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from retreat.planning.capacity import Clinic
from retreat.planning.courses import Case, Courses, pick_week
from retreat.planning.gaps import Gaps, assumed_gaps
from retreat.planning.queue import simulate, waits_of_station

START = date(2026, 1, 5)


def erlang_c_wait(rate: float, service: float, servers: int) -> float:
    """Mean wait in M/M/c: Erlang's C times 1 / (c mu - lambda) (Erlang 1917, from memory)."""
    load = rate / service
    rho = load / servers
    waits = load**servers / factorial(servers) / (1 - rho)
    chance = waits / (sum(load**k / factorial(k) for k in range(servers)) + waits)
    return chance / (servers * service - rate)


def kiefer_wolfowitz(arrivals: np.ndarray, services: np.ndarray, servers: int) -> np.ndarray:
    """Waits from the recursion over the sorted free times of servers (Kiefer and Wolfowitz 1955, from memory)."""
    free = np.zeros(servers)
    waits = np.empty(len(arrivals))
    for i, (came, length) in enumerate(zip(arrivals, services, strict=True)):
        begins = max(came, free.min())
        waits[i] = begins - came
        free[free.argmin()] = begins + length
    return waits


@given(st.integers(1, 4), st.integers(0, 10_000))
@settings(max_examples=25, deadline=None)
def test_waits_follow_the_recursion_exactly(servers: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    arrivals, services = np.cumsum(rng.exponential(1.0, 80)), rng.exponential(0.8 * servers, 80)
    found = waits_of_station(arrivals, services, servers=servers)
    np.testing.assert_allclose(found, kiefer_wolfowitz(arrivals, services, servers), atol=1e-9)


# two-sided tests at |z| < 4 on means of independent stretches: false alarm 1 in 16,000 each
def z_of(expected: float, draw, stretches: int = 30, n: int = 700, warm: int = 150) -> float:
    means = np.array([draw(np.random.default_rng(s), n)[warm:].mean() for s in range(stretches)])
    return (means.mean() - expected) / (means.std(ddof=1) / np.sqrt(stretches))


@pytest.mark.parametrize(("servers", "rate"), [(1, 0.5), (2, 1.2), (3, 2.1)])
def test_m_m_c_waits_as_erlang_says(servers: int, rate: float) -> None:
    def draw(rng: np.random.Generator, n: int) -> np.ndarray:
        return waits_of_station(
            np.cumsum(rng.exponential(1 / rate, n)), rng.exponential(1.0, n), servers=servers
        )

    assert abs(z_of(erlang_c_wait(rate, 1.0, servers), draw)) < 4


@pytest.mark.parametrize("kind", ["fixed", "gamma", "two_lengths"])
def test_m_g_1_waits_as_pollaczek_and_khinchine_say(kind: str) -> None:
    # mean wait = rate E[S^2] / (2 (1 - rate E[S])) (Pollaczek 1930, Khinchine 1932, from memory)
    rate = 0.5
    second_moment = {"fixed": 1.0, "gamma": 1.0 + 1 / 3, "two_lengths": 0.5 * (0.25 + 2.25)}[kind]

    def draw(rng: np.random.Generator, n: int) -> np.ndarray:
        services = {
            "fixed": np.ones(n),
            "gamma": rng.gamma(3.0, 1 / 3, n),
            "two_lengths": rng.choice([0.5, 1.5], n),
        }[kind]
        return waits_of_station(np.cumsum(rng.exponential(1 / rate, n)), services, servers=1)

    assert abs(z_of(rate * second_moment / (2 * (1 - rate)), draw)) < 4


def some_courses(seed: int, n: int, gaps: Gaps, weeks: int = 8, needed: int = 3) -> Courses:
    """Courses of n cases, each with chance events of its own."""
    rng = np.random.default_rng(seed)

    def case() -> Case:
        u = rng.random((3, 20))
        sessions = tuple(int(k) for k in rng.integers(1, needed + 1, 1))
        return Case(
            int(rng.integers(weeks)), bool(rng.random() < 0.5), sessions, 0.0, False, False, rng.random(), *u
        )

    return Courses((tuple(case() for _ in range(n)),), gaps, START, weeks)


@given(st.integers(0, 10_000), st.integers(1, 6), st.sets(st.integers(0, 6), min_size=1), st.integers(0, 60))
@settings(max_examples=40, deadline=None)
def test_no_more_sessions_are_given_than_slots_are_open(
    seed: int, per_day: int, days: set[int], n: int
) -> None:
    clinic = Clinic(per_day, tuple(days), closed=(date(2026, 1, 14),))
    waits = simulate(some_courses(seed, n, assumed_gaps(2.0)), clinic)
    assert (waits.used <= waits.slots).all()
    assert (waits.backlog >= 0).all()
    assert not (waits.first < 0).any()
    assert not (waits.following < 0).any()


def test_every_session_is_given_where_there_is_room_and_nobody_misses() -> None:
    courses = some_courses(3, 50, assumed_gaps(1.0), weeks=40)
    courses = Courses((tuple(c for c in courses.runs[0] if c.week < 30),), courses.gaps, START, 40)
    waits = simulate(courses, Clinic(50, (0, 1, 2, 3, 4)))
    assert waits.used.sum() == sum(sum(case.needed) for case in courses.runs[0])
    assert waits.backlog[:, -1].tolist() == [0]
    assert waits.following[0] == 0.0


def test_missed_bookings_use_slots_as_often_as_the_geometric_law_says() -> None:
    # each session takes 1 / (1 - missed) bookings on average; tolerance four standard errors
    gaps = Gaps(np.array([0.0, 1.0]), 1.0, 0.25, np.array([0.0, 1.0]))
    courses = some_courses(5, 600, gaps, weeks=6)
    courses = Courses(courses.runs, gaps, START, 60)
    waits = simulate(courses, Clinic(200, (0, 1, 2, 3, 4)))
    sessions = sum(sum(case.needed) for case in courses.runs[0])
    error = np.sqrt(sessions * 0.25 / 0.75**2)
    assert abs(waits.used.sum() - sessions / 0.75) < 4 * error


def test_a_missed_booking_is_made_again_after_its_own_gap() -> None:
    gaps = Gaps(np.array([0.0, 0.0, 0.0, 0.0, 1.0]), 1.0, 0.5, np.array([0.0, 0.0, 1.0]))
    missed = np.array([0.1] + [0.9] * 19)  # the first booking is missed, no other
    case = Case(0, False, (2,), 0.0, False, False, 0.0, np.full(20, 0.5), missed, np.full(20, 0.5))
    waits = simulate(Courses(((case,),), gaps, START, 10), Clinic(4, (0,)))
    assert np.flatnonzero(waits.used[0]).tolist() == [0, 2, 6]


def test_where_nothing_is_open_everybody_waits() -> None:
    courses = some_courses(1, 12, assumed_gaps(2.0))
    eight_weeks = tuple(date.fromordinal(START.toordinal() + i) for i in range(56))
    for clinic in (Clinic(0, (0, 3)), Clinic(5, ()), Clinic(5, (0,), closed=eight_weeks)):
        waits = simulate(courses, clinic)
        assert waits.used.sum() == 0
        assert waits.backlog[0, -1] == 12
        assert waits.unserved == 1.0
        assert "100% of bookings" in waits.sentence


def test_what_is_not_done_waits_and_is_not_lost() -> None:
    needs = tuple(Case(0, True, (1,), 0.0, False, False, 0.0, *np.full((3, 20), 0.5)) for _ in range(10))
    waits = simulate(Courses((needs,), assumed_gaps(4.0), START, 4), Clinic(3, (0,)))
    assert waits.used[0].tolist() == [3, 3, 3, 1]
    assert waits.backlog[0].tolist() == [7, 4, 1, 0]
    assert waits.first[0] == pytest.approx((0 * 3 + 7 * 3 + 14 * 3 + 21) / 10)
    assert waits.first_90 == 14


def test_two_eyes_of_a_patient_are_treated_one_after_the_other_on_a_day() -> None:
    both = Case(0, False, (2, 1), 0.0, False, False, 0.0, *np.full((3, 20), 0.5))
    waits = simulate(Courses(((both,),), assumed_gaps(1.0), START, 4), Clinic(4, (0,)))
    assert waits.used[0].tolist() == [2, 1, 0, 0]


def test_a_uniform_number_picks_weeks_as_often_as_they_are_likely() -> None:
    pmf = np.array([0.0, 0.2, 0.5, 0.1])
    grid = (np.arange(1000) + 0.5) / 1000
    picked = [pick_week(pmf, float(u)) for u in grid]
    assert [picked.count(w) for w in (0, 1, 2, 3, None)] == [0, 200, 500, 100, 200]
