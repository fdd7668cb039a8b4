"""Optimism of small clinics' models: a reduced run of `reports.optimism` with limits that state their error rate.

100 invented clinics of 150 cases (seeds 1 to 100, none left out), `core` by maximum likelihood, the route that overfits
most, 40 resamples, 30,000 fresh cases. Means over clinics move by their Monte-Carlo error (`mc_error`, about 0.027 for
a slope, 0.008 for a scaled Brier score, 0.005 for a concordance); limits are the goal and 3 of them.
"""

import pytest

from reports.optimism import HORIZONS, MEASURES, simulate

pytestmark = pytest.mark.slow

ROUTE = "maximum likelihood"
CLINICS = 100
GOAL = 0.02  # bias allowed to the correction itself, as in the report


@pytest.fixture(scope="module")
def found():
    table, _ = simulate(clinics=CLINICS, cases=150, resamples=40, fresh=30_000, routes=(ROUTE,))
    table["optimism"] = table["apparent-true"] - table["corrected-true"]
    # what the fresh cases' luck does to a slope is known: the law's own slope is 1
    table["luck"] = (table.law - 1.0).where(table.measure == "slope", 0.0)
    return table.set_index(["measure", "session"])


def test_every_measure_is_told_of_every_clinic_fitted(found):
    assert len(found) == len(MEASURES) * len(HORIZONS)
    assert (found.not_told == 0).all()
    # a separated level has no maximum likelihood estimate: 9% of clinics in 600 seeds; 20 of 100 by chance 1 in 3000
    assert (found.clinics >= 0.8 * CLINICS).all()


def test_apparent_slopes_are_too_high_by_more_than_chance(found):
    slopes = found.loc["slope"]

    # 0.15 in 544 clinics of 600 seeds, 5.5 errors of this run: not seen in 1 of 150 runs
    assert (slopes["apparent-true"] + slopes.luck > 3 * slopes.mc_error).all()


def test_corrected_measures_are_those_of_fresh_cases_on_average(found):
    away = (found["corrected-true"] + found.luck).abs()

    # nine limits of 3 errors beyond the goal: a correction without bias exceeds one in less than 1 of 50 runs
    assert (away < GOAL + 3 * found.mc_error).all()


def test_the_optimism_found_is_the_optimism_there_is(found):
    # slope 0.15 to 0.16, scaled Brier score 0.042 to 0.067, concordance 0.024 to 0.030 in the 544 clinics (error 0.01,
    # 0.004, 0.002), and the bootstrap finds up to 0.024 more for a slope; in this run the mean optimism found moves by
    # 0.006, 0.001 and 0.001. No correction, or one of half the size, is outside
    low, high = {"slope": 0.11, "scaled_brier_at": 0.035, "concordance_at": 0.018}, {"slope": 0.22}

    for (measure, _), optimism in found.optimism.items():
        assert low[measure] < optimism < high.get(measure, 3 * low[measure])


def test_90_percent_intervals_hold_the_value_of_fresh_cases_as_often_as_they_say(found):
    # a share of 91 clinics moves by 3.5 points where it is 87%: below 0.765 in 1 of 80 runs, the nine being alike
    assert (found.coverage > 0.87 - 3 * 0.035).all()
    assert (found.coverage < 0.995).all()
