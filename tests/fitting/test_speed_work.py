"""The pieces of `reports.speed` do the same work on both sides; nothing is timed here."""

import numpy as np
import pytest

from reports import speed_courses, speed_work


@pytest.mark.parametrize("columns", ["continuous", "half_millimetres"])
def test_both_fits_have_the_same_coefficients(columns, tmp_path):
    speed_courses.write_courses(800, columns, str(tmp_path))

    ours = speed_work.retreat_fit(str(tmp_path), 1)
    theirs = speed_work.statsmodels_fit(str(tmp_path), 1)

    np.testing.assert_allclose(ours["coefficients"], theirs["coefficients"], rtol=0, atol=1e-7)


def test_recorded_lengths_repeat_and_continuous_ones_do_not():
    recorded, _, _ = speed_courses.courses(5000, "half_millimetres")
    continuous, _, _ = speed_courses.courses(5000, "continuous")

    assert len(np.unique(recorded, axis=0)) < 4000
    assert len(np.unique(continuous, axis=0)) == 5000


def test_the_loop_over_cases_has_the_expected_incidences():
    """Averages over draws in single precision: 1e-6."""
    found = speed_work.forecast(n_cases=40, n_draws=200, horizon=8, looped=40)

    assert found["largest_difference"] < 1e-6
