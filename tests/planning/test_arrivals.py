from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from retreat.errors import FitError
from retreat.planning.arrivals import fit_arrivals
from retreat.planning.dates import day_number
from retreat.planning.second_eyes import (
    EDGES,
    SECOND_EYE_WEEKS,
    SecondEyes,
    begins,
    first_starts,
    fit_second_eyes,
)

TODAY = date(2026, 3, 27)  # a Friday
THIS_WEEK = day_number(TODAY) // 7


def days(counts):
    """Starts on the Tuesdays of the last weeks, so many each; one start before them opens the book."""
    first = THIS_WEEK - len(counts) + 1
    weeks = np.repeat(np.arange(first, THIS_WEEK + 1), counts)
    return np.r_[7 * (first - 1), 7 * weeks + 1]


def steady_eyes(rate, patients=0):
    """Other eyes at the same chance in each of 104 weeks."""
    return SecondEyes(np.full((10, len(EDGES) - 1), rate), np.zeros(patients, dtype=int))


def test_a_constant_rate_agrees_with_statsmodels():
    from statsmodels.discrete.discrete_model import Poisson

    counts = np.random.default_rng(1).poisson(3.0, 90)
    found = fit_arrivals(days(counts), today=TODAY, weeks=5, draws=20_000)
    reference = Poisson(counts, np.ones((90, 1))).fit(disp=0)
    assert found.is_poisson
    assert (found.n_starts, found.n_weeks) == (counts.sum(), 90)
    # the prior adds half a start; 20,000 draws leave 0.001
    assert abs(found.rate.mean() - np.exp(reference.params[0]) - 0.5 / 90) < 0.005
    assert found.rate[:, 0].std() / found.rate.mean() == pytest.approx(reference.bse[0], rel=0.03)
    assert (found.rate == found.rate[:, :1]).all()


def test_overdispersed_starts_are_negative_binomial_as_statsmodels_fits_them():
    from statsmodels.discrete.discrete_model import NegativeBinomial

    rng = np.random.default_rng(2)
    counts = rng.poisson(6 * rng.gamma(2.0, 0.5, 150))
    found = fit_arrivals(days(counts), today=TODAY, weeks=3, draws=20_000)
    reference = NegativeBinomial(counts, np.ones((150, 1))).fit(disp=0)
    assert not found.is_poisson
    assert np.median(1 / found.dispersion) == pytest.approx(reference.params[1], rel=0.02)
    assert np.median(found.rate) == pytest.approx(np.exp(reference.params[0]), rel=0.01)
    assert np.log(found.rate[:, 0]).std() == pytest.approx(reference.bse[0], rel=0.03)


def test_trend_and_season_need_two_years_and_support():
    from statsmodels.discrete.discrete_model import Poisson

    rng = np.random.default_rng(3)
    week = np.arange(156)
    seasonal = rng.poisson(np.exp(1.8 + 0.6 * np.sin(2 * np.pi * week * 7 / 365.25)))
    rising = rng.poisson(np.exp(1.0 + week / 156))
    flat = rng.poisson(5.0, 156)
    assert fit_arrivals(days(seasonal), today=TODAY, weeks=52, draws=50).season
    found = fit_arrivals(days(rising), today=TODAY, weeks=26, draws=4000)
    assert found.trend
    # the level of the last week is kept, the trend is not promised to go on
    reference = Poisson(rising, np.stack([np.ones(156), week / 156], axis=1)).fit(disp=0)
    assert found.is_poisson
    assert np.median(found.rate[:, 0]) == pytest.approx(np.exp(reference.params @ [1, 155 / 156]), rel=0.01)
    np.testing.assert_allclose(found.rate[:, 25], found.rate[:, 0])
    found = fit_arrivals(days(flat), today=TODAY, weeks=26, draws=50)
    assert not found.trend
    assert not found.season
    found = fit_arrivals(days(rising[-90:]), today=TODAY, weeks=26, draws=50)
    assert not found.trend
    assert not found.season


@pytest.mark.slow
def test_terms_and_dispersion_enter_no_oftener_than_their_level_where_starts_are_poisson():
    rng = np.random.default_rng(4)
    runs = [
        fit_arrivals(days(rng.poisson(4.0, 120)), today=TODAY, weeks=4, draws=5, seed=i) for i in range(150)
    ]
    # at 1% each of trend and season, 5% of dispersion: 150 runs allow up to 8 and 15 (binomial, 99.5%)
    assert sum(run.trend or run.season for run in runs) <= 8
    assert sum(not run.is_poisson for run in runs) <= 15


def test_no_start_in_the_last_quarter_is_noted_and_few_starts_still_give_a_rate():
    counts = np.r_[np.ones(12, dtype=int), np.zeros(20, dtype=int)]
    found = fit_arrivals(days(counts), today=TODAY, weeks=4, draws=20_000)
    assert "no new start in the last 13 weeks" in found.notes[0]
    assert found.rate.mean() == pytest.approx(12.5 / 32, rel=0.02)


@pytest.mark.parametrize("heaps", [[(70, 60)], [(5, 15)], [(10, 9), (80, 9)]])
def test_starts_too_erratic_for_a_fit_give_a_constant_rate_with_a_wide_range(heaps):
    """All starts in one week or two of 100."""
    counts = np.zeros(100, dtype=int)
    for week, n in heaps:
        counts[week] = n
    found = fit_arrivals(days(counts), today=TODAY, weeks=4, draws=5000)
    steady = fit_arrivals(days(np.full(100, 1)), today=TODAY, weeks=4, draws=5000)
    assert found.rate.mean() == pytest.approx(counts.mean(), rel=0.5)
    assert (found.rate == found.rate[:, :1]).all()
    assert found.rate[:, 0].std() / found.rate.mean() > 3 * steady.rate[:, 0].std() / steady.rate.mean()
    # a week to come may see a heap again
    assert (found.rate[:, 0] + found.rate[:, 0] ** 2 / found.dispersion).mean() > 5 * found.rate.mean()
    assert any("erratic" in note for note in found.notes)


def test_the_range_of_erratic_starts_holds_the_rate():
    """Starts in heaps of 5, a heap in one week of 12: quasi-likelihood against the truth, 5 / 12 a week."""
    rng = np.random.default_rng(8)
    held = []
    for i in range(200):
        counts = 5 * rng.poisson(1 / 12, 40)  # 17 starts on average: mostly too few for a fit
        if not 0 < counts.sum() < 20:
            continue
        found = fit_arrivals(days(counts), today=TODAY, weeks=1, draws=400, seed=i)
        low, high = np.quantile(found.rate[:, 0], [0.05, 0.95])
        held.append(low <= 5 / 12 <= high)
    # 90% wanted; few heaps leave room (a Poisson posterior holds it in about half of the runs)
    assert np.mean(held) > 0.78


def test_a_table_that_begins_in_a_running_practice_does_not_seem_to_shrink():
    """Constant true starts, and other eyes of earlier patients that pass for new ones in the first two years."""
    rate, rng = 0.004, np.random.default_rng(9)
    week = np.arange(1, 101)
    hidden = np.clip((1 - rate) ** (week + 1) - (1 - rate) ** 104, 0, None)
    eyes = steady_eyes(rate)
    plain, known = [], []
    for i in range(30):
        counts = rng.poisson(6.0 * (1 + hidden))
        wanted = {"today": TODAY, "weeks": 1, "draws": 200, "seed": i}
        plain.append(fit_arrivals(days(counts), **wanted).rate.mean())
        known.append(fit_arrivals(days(counts), **wanted, second_eyes=eyes).rate.mean())
    assert np.mean(plain) > 6.0 * 1.12
    assert 6.0 * 0.98 < np.mean(known) < 6.0 * 1.08  # a practice begun with its table stays possible
    assert np.mean(np.abs(np.array(known) - 6.0)) < np.mean(np.abs(np.array(plain) - 6.0))


def test_a_practice_begun_with_its_table_is_not_ruled_out():
    counts = np.random.default_rng(10).poisson(6.0, 130)
    found = fit_arrivals(days(counts), today=TODAY, weeks=1, draws=4000, second_eyes=steady_eyes(0.004))
    plain = fit_arrivals(days(counts), today=TODAY, weeks=1, draws=4000)
    assert found.rate[:, 0].std() > plain.rate[:, 0].std()
    low, high = np.quantile(found.rate[:, 0], [0.02, 0.98])
    assert low < counts.mean() < high


def test_dates_objects_serve_as_well():
    starts = [date(2026, 1, 6) + timedelta(weeks=w) for w in range(10)]
    assert fit_arrivals(starts, today=TODAY, weeks=2).n_starts == 9


def test_impossible_starts_are_refused():
    with pytest.raises(FitError, match="no new start"):
        fit_arrivals([], today=TODAY, weeks=4)
    with pytest.raises(FitError, match="after 2026-03-27"):
        fit_arrivals([date(2025, 1, 1), date(2026, 4, 1)], today=TODAY, weeks=4)
    with pytest.raises(FitError, match="at least 4"):
        fit_arrivals([date(2026, 3, 20)], today=TODAY, weeks=4)
    with pytest.raises(FitError, match="1 to 104"):
        fit_arrivals([date(2025, 3, 20)], today=TODAY, weeks=0)


def patients(rows):
    frame = pd.DataFrame(rows, columns=["patient", "eye", "started"])
    return frame.assign(case=[f"c{i}" for i in range(len(frame))], sessions=1, ending="relieved")


def test_second_eyes_within_two_years_are_told_from_new_starts():
    cases = patients(
        [
            ("a", "right", "2025-03-28"),  # 52 weeks ago, alone: still eligible
            ("b", "left", "2025-01-03"),
            ("b", "right", "2025-03-14"),  # 10 weeks later: a second eye
            ("c", "left", "2021-01-01"),
            ("c", "right", "2024-01-05"),  # 157 weeks later: a new complaint
            ("d", "left", "2022-01-07"),  # alone for more than 104 weeks
            ("e", "right", "2024-01-05"),
            ("e", "right", "2024-06-07"),  # the same eye again: a new complaint
        ]
    )
    found = fit_second_eyes(cases, today=TODAY, draws=50_000)
    assert (found.elapsed.tolist(), found.n_events) == ([53], 1)
    # weeks at risk, that of the start included: a 53, b 11, c 104, d 104, e 22 (to its return)
    assert found.patient_weeks == 53 + 11 + 104 + 104 + 22
    assert len(first_starts(cases)) == len(cases) - 1


def test_other_eyes_known_to_wait_are_not_waited_for_twice():
    rows = [("a", "right", "2026-01-05"), ("b", "right", "2026-01-05"), ("c", "left", "2026-01-05")]
    cases = patients(rows)
    cases.loc[2, ["patient", "started", "sessions", "ending"]] = ["a", "not_applicable", 0, "ongoing"]
    assert fit_second_eyes(cases, today=TODAY).elapsed.tolist() == [12]  # b alone
    cases.loc[2, "patient"] = "c"  # begins in week 1, and may then bring the other eye
    assert fit_second_eyes(cases, today=TODAY).elapsed.tolist() == [0, 12, 12]


def test_chances_by_week_since_the_first_eye_are_those_of_a_life_table():
    """200 patients begun 200 weeks ago; 40 other eyes after 8 weeks, 20 after 60: posterior means by hand."""
    rows = []
    for i in range(200):
        start = TODAY - timedelta(weeks=200)
        rows.append((f"p{i}", "right", start.isoformat()))
        if i < 60:
            rows.append((f"p{i}", "left", (start + timedelta(weeks=8 if i < 40 else 60)).isoformat()))
    found = fit_second_eyes(patients(rows), today=TODAY, draws=20_000).chance.mean(axis=0)
    left = np.r_[np.full(9, 200), np.full(52, 160), np.full(43, 140)]  # at risk in week 0, 1, ...
    came = np.zeros(104)
    came[[8, 60]] = 40, 20
    at_risk, n = (np.add.reduceat(values, EDGES[:-1]) for values in (left, came))
    prior = 0.5 / len(n)
    expected = (n + prior) / (at_risk + prior * at_risk.sum() / 60)
    # 20,000 draws leave less than 3% where second eyes were seen, and little to see elsewhere
    np.testing.assert_allclose(found, expected, rtol=0.03, atol=2e-5)


def lagged(rng, *, since, until, n):
    """Patients begun evenly over those days before today; 30% bring the other eye, 8 weeks later on average."""
    rows = []
    for i in range(n):
        start = TODAY - timedelta(days=int(rng.integers(until, since)))
        rows.append((f"p{i}", "right", start.isoformat()))
        if rng.random() < 0.3:
            other = start + timedelta(days=int(rng.exponential(56)))
            if other <= TODAY:
                rows.append((f"p{i}", "left", other.isoformat()))
    return patients(rows)


@pytest.mark.parametrize(
    ("since", "until"), [(7 * 200, 0), (7 * 52, 0), (7 * 200, 7 * 26)], ids=["steady", "young", "closed"]
)
def test_other_eyes_that_follow_soon_are_not_promised_for_long(since, until):
    """A constant rate gave 31% too many on the whole in a steady clinic, twice as many in a young one, and 14 times
    as many where intake stopped 26 weeks ago."""
    rng = np.random.default_rng(21)
    planned = np.zeros(26)
    for seed in range(20):
        cases = lagged(rng, since=since, until=until, n=6 * (since - until) // 7)
        planned += fit_second_eyes(cases, today=TODAY, draws=400, seed=seed).mean_begun(26)
    for part, bearable in ((slice(0, 13), 0.2), (slice(13, 26), 0.6)):
        # by the law itself, patients begun evenly: 20 clinics, 6 starts a week, each lag past what has elapsed
        away, ends = until // 7, (part.start, part.stop)
        true = 20 * 6 * 0.3 * 8 * (np.exp(-(away + ends[0]) / 8) - np.exp(-(away + ends[1]) / 8))
        # a young clinic sees 90 second eyes, a tenth of them late: 20 clinics leave 3% and 10%, and the spans are steps
        # on a smooth law; a constant chance promises twice to ten times as many, in the closed clinic a hundred times
        assert abs(planned[part].sum() - true) < bearable * true + 8


def test_no_patient_brings_more_than_one_other_eye_and_none_after_two_years():
    sure = SecondEyes(np.full((1, len(EDGES) - 1), 0.9), np.array([0, 50, 103, 104, 300]))
    assert sure.eligible == 3
    assert sure.mean_begun(52).sum() == pytest.approx(2 + 0.9, abs=1e-9)
    assert begins(sure.chance, sure.after_start(200))[0, SECOND_EYE_WEEKS:].sum() == 0
