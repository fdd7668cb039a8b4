"""Slots open and slots to open."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from retreat.errors import FitError
from retreat.planning.capacity import Clinic, newsvendor, open_days, slots_open, slots_to_cover


def test_public_holidays_and_closed_days_open_no_slot() -> None:
    # 25 and 26 December 2025, a Thursday and a Friday, are bank holidays in England (from memory)
    clinic = Clinic(6, (0, 3, 4), country="GB-ENG", closed=(date(2025, 12, 22),))
    assert slots_open(clinic, date(2025, 12, 15), 2).tolist() == [18, 0]


def test_a_half_day_has_half_the_slots_rounded_up() -> None:
    clinic = Clinic(5, (0,), half_days=(4,), machines=2)
    assert clinic.slots_a_week == 10 + 6
    assert slots_open(clinic, date(2026, 1, 5), 1).tolist() == [16]


@given(
    st.integers(0, 20), st.sets(st.integers(0, 6)), st.integers(1, 3), st.integers(1, 20), st.integers(0, 6)
)
def test_slots_are_those_of_the_open_days(
    per_day: int, days: set[int], machines: int, weeks: int, shut: int
) -> None:
    start = date(2026, 1, 5)
    clinic = Clinic(per_day, tuple(days), machines=machines, closed=(date(2026, 1, 5 + shut),))
    found = slots_open(clinic, start, weeks)
    assert found.sum() == per_day * machines * len(open_days(clinic, start, weeks))
    assert (found <= clinic.slots_a_week).all()


@pytest.mark.parametrize("idle", [1.0, 3.0, 10.0])
@pytest.mark.parametrize("missing", [1.0, 5.0, 30.0])
@pytest.mark.parametrize("mean", [0.5, 4.0, 17.3])
def test_newsvendor_is_the_critical_ratio_and_the_cheapest(idle: float, missing: float, mean: float) -> None:
    # closed form for Poisson demand: scipy.stats.poisson.ppf(missing / (missing + idle)), scipy 1.18
    n = np.arange(200)
    pmf = stats.poisson.pmf(n, mean)
    best = newsvendor(pmf, idle_cost=idle, missing_cost=missing)
    assert best == stats.poisson.ppf(missing / (missing + idle), mean)
    over = np.clip(n[:, None] - n[None, :], 0, None) @ pmf  # idle slots by slots open
    under = np.clip(n[None, :] - n[:, None], 0, None) @ pmf
    cost = idle * over + missing * under
    assert cost[best] == pytest.approx(cost.min(), rel=1e-9)


def test_newsvendor_of_the_exponential_lies_at_its_quantile() -> None:
    # closed form for exponential demand of mean m: m * log(1 + missing / idle) (the quantile function inverted)
    mean, idle, missing = 40.0, 2.0, 7.0
    edges = np.arange(0.5, 2001.5)
    pmf = np.diff(np.r_[0.0, stats.expon.cdf(edges, scale=mean)])
    assert newsvendor(pmf, idle_cost=idle, missing_cost=missing) == pytest.approx(
        mean * np.log(1 + missing / idle), abs=1.0
    )


def test_slots_to_cover_leave_the_wanted_share_of_weeks_short() -> None:
    weekly = stats.poisson.pmf(np.arange(80), np.array([[5.0], [9.0], [14.0]]))
    slots = slots_to_cover(weekly, 0.9)
    covered = weekly[:, : slots + 1].sum(axis=1).mean()
    assert covered >= 0.9 > weekly[:, :slots].sum(axis=1).mean()


def test_all_faults_of_a_clinic_are_told_at_once() -> None:
    with pytest.raises(FitError) as refused:
        Clinic(-1, (9,), country="ATLANTIS", machines=0, min_gap_weeks=99)
    assert {f.where for f in refused.value.faults} == {
        "sessions_per_day", "days", "country", "machines", "min_gap_weeks"
    }  # fmt: skip
    with pytest.raises(FitError, match="name a day once"):
        Clinic(6, (0,), half_days=(0,))


@pytest.mark.parametrize(
    ("idle", "missing"), [(-1.0, 1.0), (1.0, float("nan")), (0.0, 0.0), (1.0, float("inf"))]
)
def test_costs_that_are_none_are_refused(idle: float, missing: float) -> None:
    with pytest.raises(FitError):
        newsvendor([0.5, 0.5], idle_cost=idle, missing_cost=missing)
