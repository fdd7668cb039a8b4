"""Restricted cubic splines against exact fractions and R's Hmisc; recipe of the numbers in spline_recipe.py."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from retreat.coding import spline_basis, spline_knots

VALUES = pd.read_csv(Path(__file__).parent / "data" / "spline.csv", dtype={"knots": str, "at": str})
BASIS = VALUES[VALUES["quantity"] == "basis"]
KNOTS = VALUES[VALUES["quantity"] == "knot"]


@pytest.mark.parametrize(("knots", "rows"), list(BASIS.groupby("knots")))
def test_the_basis_equals_the_reference(knots: str, rows: pd.DataFrame) -> None:
    points = rows["at"].astype(float).to_numpy()
    basis = spline_basis(points, [float(k) for k in knots.split()])
    found = basis[np.arange(len(points)), rows["term"].to_numpy()]  # column 0 is the value itself
    assert basis[:, 0].tolist() == points.tolist()
    assert np.abs(found - rows["value"].to_numpy()).max() < 1e-9


@pytest.mark.parametrize(("n_knots", "rows"), list(KNOTS.groupby("knots")))
def test_default_knots_equal_the_reference(n_knots: str, rows: pd.DataFrame) -> None:
    found = spline_knots(np.arange(1, 101) ** 1.5, int(n_knots))
    assert np.abs(np.array(found) - rows["value"].to_numpy()).max() < 1e-6


@pytest.mark.parametrize("n_knots", [3, 4, 5, 6, 7])
def test_below_100_values_the_outer_knots_are_the_fifth_from_either_end(n_knots: int) -> None:
    # rcspline.eval of R's Hmisc, read in its source (github harrelfe/Hmisc, R/rcspline.eval.s): with fewer than
    # 100 values the first knot is the 5th smallest and the last the 5th largest, whatever the number of knots
    values = np.random.default_rng(1).permutation(np.arange(1, 100) ** 1.5)
    found = spline_knots(values, n_knots)
    assert (found[0], found[-1]) == (5**1.5, 95**1.5)
    # the inner ones stay at their quantiles: 99 values, so the middle of an odd number of knots is the 50th
    if n_knots % 2:
        assert found[n_knots // 2] == 50**1.5


def test_from_100_values_the_outer_knots_are_quantiles() -> None:
    # type 7: 1 + 99 x 0.05 = 5.95
    assert spline_knots(np.arange(1, 101), 4)[0] == pytest.approx(5.95, abs=1e-12)
