from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from practice import GAPS, TODAY, model, moments, poisson_arrivals, practice

from retreat.planning.arrivals import Arrivals
from retreat.planning.demand import demand
from retreat.planning.patients import simulate
from retreat.planning.second_eyes import EDGES, SecondEyes
from retreat.planning.standing import open_cases

RUNS = 5000


def lagged_eyes(n=60):
    """Most other eyes within a quarter, then few; patients at every stage, some about to leave the window."""
    chance = 0.1 * 0.7 ** np.arange(len(EDGES) - 1)
    return SecondEyes(chance[None], np.linspace(0, 103, n).astype(int))


def both(cases, visits, *, of=None, arrivals=None, others=None, **wanted):
    made = of or model()
    given = (made, cases, GAPS, arrivals or Arrivals.none(16), others or SecondEyes.none())
    exact = demand(*given, today=TODAY, weeks=16, visits=visits)
    return exact, simulate(*given, today=TODAY, weeks=16, visits=visits, runs=RUNS, **wanted)


def largest_distance(pmf, counts):
    n = max(len(pmf), counts.max() + 1)
    seen = np.cumsum(np.bincount(counts, minlength=n) / len(counts))
    return np.abs(seen - np.cumsum(np.pad(pmf, (0, n - len(pmf))))).max()


@pytest.mark.parametrize("size", [np.inf, 2.0])
def test_simulation_agrees_with_the_exact_distribution_where_cases_are_independent(size):
    cases, visits = practice(40)
    # one draw of each rate, so that chance pairs of few draws do not differ between the two
    arrivals, others = Arrivals(np.full((1, 26), 3.0), np.full(1, size)), lagged_eyes()
    exact, runs = both(cases, visits, of=model(draws=200), arrivals=arrivals, others=others, seed=3)
    mean, sd = moments(exact.weekly)
    # sixteen means within four standard errors: a right program fails once in a thousand seeds
    assert (np.abs(runs.mean(axis=0) - mean) < 4 * sd / np.sqrt(RUNS)).all()
    # Kolmogorov's distance: 1.95 / sqrt(runs) is its 0.1% point, generous where values are whole
    limit = 1.95 / np.sqrt(RUNS)
    assert max(largest_distance(exact.weekly[w], runs[:, w]) for w in range(16)) < limit
    assert all(
        largest_distance(pmf, runs[:, :weeks].sum(axis=1)) < limit for weeks, pmf in exact.totals.items()
    )


def test_eyes_booked_together_use_their_slots_in_the_same_weeks():
    cases, visits = practice(2, pairs=True)
    cases["started"], cases["sessions"] = "2026-03-23", 1
    visits = visits.groupby("case").head(1)
    _, apart = both(cases, visits, seed=1)
    _, together = both(cases, visits, seed=1, eyes="together")
    first = together[np.arange(RUNS), np.argmax(together > 0, axis=1)]
    assert set(first[together.any(axis=1)].tolist()) == {2}  # both are needed for the first booking
    assert together.std(axis=0)[0] > apart.std(axis=0)[0]


def test_eyes_booked_together_use_as_many_slots_on_the_whole():
    cases, visits = practice(30, pairs=True)
    exact, together = both(cases, visits, seed=2, eyes="together")
    total, sd = exact.mean.sum(), together.sum(axis=1).std()
    # pairs begin in step with the first eye's last session, so that weeks shift a little; the total over 16 weeks less
    assert together.sum(axis=1).mean() == pytest.approx(total, abs=0.06 * total + 4 * sd / np.sqrt(RUNS))


def a_pair(last_of_one, last_of_two, *, order=(0, 1)):
    """Two eyes of one patient, each with one session, so many weeks before the plan."""
    cases, visits = practice(2, pairs=True)
    days = [TODAY - timedelta(weeks=last_of_one), TODAY - timedelta(weeks=last_of_two)]
    cases["started"], cases["sessions"] = [day.isoformat() for day in days], 1
    visits = visits.groupby("case").head(1)
    rows = list(order)
    return cases.iloc[rows].reset_index(drop=True), visits.iloc[rows].reset_index(drop=True)


@pytest.mark.parametrize(("one", "two", "pair"), [(1, 2, True), (2, 1, True), (1, 3, True), (1, 40, False)])
def test_an_eye_is_joined_to_the_one_seen_last_while_both_may_return(one, two, pair):
    cases, visits = a_pair(one, two)
    leaders = open_cases(cases, GAPS, today=TODAY, visits=visits).leaders().tolist()
    joined = [-1, 0] if one < two else [1, -1]  # the row of the eye that follows names the other
    assert leaders == (joined if pair else [-1, -1])


@pytest.mark.parametrize(("one", "two"), [(1, 40), (1, 3)])
def test_the_order_of_rows_does_not_change_a_pair(one, two):
    """A stale eye used to kill or revive its fellow, by the row on which it stood."""
    runs = [both(*a_pair(one, two, order=order), seed=1, eyes="together")[1] for order in ((0, 1), (1, 0))]
    np.testing.assert_array_equal(*runs)


def test_a_stale_eye_neither_kills_nor_joins_its_fellow():
    cases, visits = a_pair(1, 40)
    exact, together = both(cases, visits, seed=1, eyes="together")
    alone, _ = both(cases.head(1), visits.head(1), seed=1)
    np.testing.assert_allclose(exact.mean, alone.mean, atol=1e-9)
    total, sd = exact.mean.sum(), together.sum(axis=1).std()
    assert together.sum(axis=1).mean() == pytest.approx(total, abs=4 * sd / np.sqrt(RUNS))
    assert together.max() == 1


def test_cases_that_wait_are_simulated_as_they_are_counted():
    cases, visits = practice(30)
    cases.loc[:9, ["started", "sessions"]] = ["not_applicable", 0]
    visits = visits[~visits["case"].isin(cases["case"][:10])].reset_index(drop=True)
    exact, runs = both(cases, visits, of=model(draws=200), others=lagged_eyes(), seed=5)
    mean, sd = moments(exact.weekly)
    assert (np.abs(runs.mean(axis=0) - mean) < 4 * sd / np.sqrt(RUNS)).all()


def test_two_eyes_that_share_a_patient_spread_wider_than_eyes_of_two_patients():
    made = model("frailty")
    loading = np.full_like(made.parameters.patient_loading, 1.5)
    hard = replace(made, parameters=replace(made.parameters.thinned(1), patient_loading=loading[:1]))
    alone, visits = practice(60)
    paired = alone.assign(patient=[f"p{i // 2}" for i in range(60)])
    _, apart = both(alone, visits, of=hard, seed=1)
    _, shared = both(paired, visits, of=hard, seed=1)
    assert shared.sum(axis=1).var() > 1.1 * apart.sum(axis=1).var()


def test_the_same_seed_gives_the_same_runs():
    cases, visits = practice(10)
    _, one = both(cases, visits, arrivals=poisson_arrivals(2), seed=4)
    _, other = both(cases, visits, arrivals=poisson_arrivals(2), seed=4)
    np.testing.assert_array_equal(one, other)
