"""E-values and corrected ratios against published examples and their defining property."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from retreat.errors import FitError
from retreat.study.effects import bias_table, e_value, e_value_of_odds


@pytest.mark.parametrize(
    ("ratio", "low", "high", "point", "limit"),
    [
        # VanderWeele and Ding 2017, their examples (from memory; the first three numbers as in the examples of R's
        # EValue): breast-feeding, smoking and lung cancer, breast-feeding and leukaemia
        (3.9, 1.8, 8.7, 7.26, 3.00),
        (10.73, 8.02, 14.36, 20.95, 15.52),
        (0.80, 0.71, 0.91, 1.81, 1.43),
    ],
)
def test_published_e_values(ratio, low, high, point, limit):
    found = e_value(ratio, low, high)

    assert found.point == pytest.approx(point, abs=0.005)
    assert found.limit == pytest.approx(limit, abs=0.005)


@given(st.floats(0.02, 50))
def test_a_confounder_of_that_strength_explains_the_ratio_and_a_weaker_one_does_not(ratio):
    """The bounding factor g h / (g + h - 1) of Ding and VanderWeele 2016 (from memory), g = h."""
    strength = e_value(ratio).point

    def bound(g):
        return g * g / (2 * g - 1)

    assert bound(strength) == pytest.approx(max(ratio, 1 / ratio), rel=1e-9)
    assert strength == pytest.approx(e_value(1 / ratio).point, rel=1e-9)


def test_an_interval_that_holds_one_needs_no_confounder():
    assert e_value(1.4, 0.9, 2.2).limit == 1.0
    assert e_value(0.7, 0.4, 1.1).limit == 1.0
    assert e_value(1.0).point == 1.0


def test_a_common_end_is_judged_by_the_root_of_its_odds_ratio():
    common, rare = (e_value_of_odds(0.86, 0.75, 0.99, outcome=o) for o in ("common", "rare"))

    assert common == e_value(np.sqrt(0.86), np.sqrt(0.75), np.sqrt(0.99))
    assert rare == e_value(0.86, 0.75, 0.99)
    assert common.point < rare.point


def test_a_corrected_ratio_is_the_one_of_the_table_it_came_from():
    """A yes-or-no confounder makes everything: risks .1 and .3 by it, shares .6 and .2; no effect of the feature."""
    risk = {True: 0.3, False: 0.1}
    crude = (0.6 * risk[True] + 0.4 * risk[False]) / (0.2 * risk[True] + 0.8 * risk[False])

    found = bias_table(crude, 0.9 * crude, 1.1 * crude, risk_ratios=[3.0], shares=[0.2, 0.6])

    explained = found[found.share_value > found.share_against].iloc[0]
    assert explained.ratio == pytest.approx(1.0, rel=1e-12)
    assert explained.explained
    other = found[found.share_value < found.share_against].iloc[0]
    assert other.ratio > crude
    assert not other.explained


@pytest.mark.parametrize("given_", [(0.0,), (-1.0,), (np.nan,), ("2",), (2.0, 2.5, 3.0), (2.0, 1.0, 1.5)])
def test_what_is_no_ratio_is_refused(given_):
    with pytest.raises(FitError):
        e_value(*given_)
    with pytest.raises(FitError):
        e_value_of_odds(*given_)


def test_shares_and_strengths_out_of_range_are_refused():
    with pytest.raises(FitError, match="shares"):
        bias_table(2.0, 1.5, 3.0, shares=[0.2, 1.2])
    with pytest.raises(FitError, match="risk_ratios"):
        bias_table(2.0, 1.5, 3.0, risk_ratios=[0.0])
    with pytest.raises(FitError, match="outcome"):
        e_value_of_odds(2.0, outcome="usual")
