from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from retreat.errors import FitError
from retreat.planning.arrivals import fit_arrivals
from retreat.planning.dates import day_number
from retreat.planning.second_eyes import first_starts, fit_second_eyes

TODAY = date(2026, 3, 27)  # a Friday
THIS_WEEK = day_number(TODAY) // 7


def days(counts):
    """Starts on the Tuesdays of the last weeks, so many each; one start before them opens the book."""
    first = THIS_WEEK - len(counts) + 1
    weeks = np.repeat(np.arange(first, THIS_WEEK + 1), counts)
    return np.r_[7 * (first - 1), 7 * weeks + 1]


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
            ("a", "right", "2025-03-28"),  # 52 weeks alone: still eligible
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
    assert (found.eligible, found.n_events) == (1, 1)
    # a 52, b 10, c 104, d 104, e 22 (to its return) patient-weeks
    assert found.patient_weeks == pytest.approx(52 + 10 + 104 + 104 + 22)
    assert found.rate.mean() == pytest.approx(1.5 / found.patient_weeks, rel=0.02)
    assert len(first_starts(cases)) == len(cases) - 1


@pytest.mark.slow
def test_the_rate_of_second_eyes_is_recovered():
    rng = np.random.default_rng(6)
    rows = []
    for i in range(4000):
        start = TODAY - timedelta(days=int(rng.integers(0, 1000)))
        rows.append((f"p{i}", "right", start.isoformat()))
        other = start + timedelta(days=int(rng.exponential(7 / 0.004)))
        if other <= TODAY:
            rows.append((f"p{i}", "left", other.isoformat()))
    found = fit_second_eyes(patients(rows), today=TODAY, draws=1000)
    assert found.rate.mean() == pytest.approx(0.004, abs=4 * found.rate.std())
    assert found.rate.std() == pytest.approx(0.004 / np.sqrt(found.n_events), rel=0.15)
