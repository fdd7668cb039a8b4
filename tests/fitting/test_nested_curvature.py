"""Derivatives of the quadratics against differences of the value."""

import numpy as np
import pytest
from nested_clinics import columns_of, plain, some_point

from retreat.fitting.nested.curvature import curvature
from retreat.fitting.nested.hardness import kinds
from retreat.fitting.nested.proposal import _prior_of_kinds
from retreat.fitting.nested.spreads import Spreads

STEP = 1e-5


def at(courses, X, whole, all_kinds, *, hard, never):
    """Curvature over one vector: point, then loadings, then the root of the share."""
    K = courses.n_ends
    d = K * (X.shape[1] + courses.n_effects)
    loading = whole[d : d + K] if hard else np.zeros(K)
    return curvature(courses, X, whole[:d], loading, float(whole[-1] ** 2) if never else 0.0, all_kinds)


@pytest.mark.parametrize("patients_of", [1, 2, 3])
@pytest.mark.parametrize(("hard", "never"), [(False, False), (True, False), (False, True), (True, True)])
def test_gradient_and_information_are_differences_of_value_and_gradient(hard, never, patients_of):
    table = plain(cases=60, patients_of=patients_of)
    courses, X = columns_of(table)
    settings = {"hard": hard, "never": never}
    all_kinds = kinds(**settings, n_nodes=5)
    whole = some_point(courses, X)
    whole = np.concatenate([whole, [0.8, -0.5] if hard else [], [0.4] if never else []])
    here = at(courses, X, whole, all_kinds, **settings)
    slopes, bends = [], []
    for step in STEP * np.eye(len(whole)):
        up, down = (at(courses, X, whole + sign * step, all_kinds, **settings) for sign in (1, -1))
        slopes.append((up.value - down.value) / (2 * STEP))
        bends.append(-(up.gradient - down.gradient) / (2 * STEP))
    np.testing.assert_allclose(here.gradient, slopes, atol=1e-6, rtol=1e-6)
    np.testing.assert_allclose(here.information, bends, atol=1e-6, rtol=1e-6)


@pytest.mark.parametrize(("patient", "never"), [(0.7, None), (None, (1.0, 9.0)), (0.7, (2.0, 3.0))])
def test_slope_and_bend_of_the_prior_of_the_kinds(patient, never):
    spreads = Spreads(2, step=0.5, operator=None, patient=patient, never=never)
    line = np.concatenate([[-0.5, -0.7], [0.6, -0.3] if patient else [], [0.45] if never else []])
    m = spreads.n_kinds
    slope, bend = _prior_of_kinds(spreads, line)
    step = np.zeros(len(line))
    for i in range(m):
        step[:] = 0.0
        step[len(line) - m + i] = 1e-4
        up, middle, down = (spreads.log_prior((line + sign * step)[None])[0] for sign in (1, 0, -1))
        assert slope[i] == pytest.approx((up - down) / 2e-4, rel=1e-5, abs=1e-6)
        assert bend[i, i] == pytest.approx(-(up - 2 * middle + down) / 1e-8, rel=1e-4)
