"""A reduced run of `reports.recovery`; the full one has 400 clinics in its report."""

import pytest

from reports.recovery import recover

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def results():
    """60 clinics of 900 cases, seeds 1 to 60, none left out; one result a penalty."""
    return recover("known", clinics=60, cases=900)


def test_intervals_hold_the_stated_coefficients_and_incidences(results):
    """The full run must hold 87 to 93% of all coefficients at a nominal 90%.

    Here one Monte-Carlo error is about 1.3%, so the limits are two of them wider: the coverages of the full run
    (90.1% and 92.9%, 400 clinics) would miss them in fewer than one of 300 sets of seeds.
    """
    for result in results:
        assert 0.844 < result["coefficient_coverage"] < 0.956, result["penalty"]
        assert result["coefficient_coverage_mc_error"] < 0.02
        for end, shares in result["incidence_coverage"].items():
            assert len(shares) == 3
            assert 0.844 < min(shares) <= max(shares) < 0.956, (result["penalty"], end)
        assert result["refused"] < 0.02


def test_an_estimate_without_penalty_is_not_biased(results):
    """Bias of each coefficient within 3.5 Monte-Carlo errors of 0."""
    maximum_likelihood = results[0]
    assert maximum_likelihood["penalty"] == "0"

    for name, found in maximum_likelihood["by_coefficient"].items():
        assert abs(found["bias"]) < 3.5 * found["sd"] / 60**0.5, name
