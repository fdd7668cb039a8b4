"""E-values and corrected ratios against published examples and their defining property."""

import numpy as np
import pandas as pd
import pytest
from clinics import clinic
from hypothesis import given
from hypothesis import strategies as st

from retreat.coding import Term
from retreat.errors import FitError
from retreat.study.effects import (
    Measure,
    bias_table,
    e_value,
    e_value_of_odds,
    e_value_of_rate,
    estimate_effects,
)
from retreat.study.effects.e_values import confounding_table, outcomes_by


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


@pytest.mark.parametrize("ratio", [0.25, 0.9, 1.0, 1.7, 6.0])
def test_a_common_rate_ratio_stands_for_the_formula_of_the_paper(ratio):
    """VanderWeele and Ding 2017, table 2 (from memory); R's EValue has the same."""
    told = (1 - 0.5 ** np.sqrt(ratio)) / (1 - 0.5 ** np.sqrt(1 / ratio))

    assert e_value_of_rate(ratio).ratio == pytest.approx(told, rel=1e-12)
    assert e_value_of_rate(ratio).point == pytest.approx(e_value(told).point, rel=1e-9)
    assert e_value_of_rate(ratio, outcome="rare") == e_value(ratio)
    assert e_value_of_rate(1 / ratio).point == pytest.approx(e_value_of_rate(ratio).point, rel=1e-9)


def ends_of(n_relieved, n_stopped, n=100):
    """One session each; the rest go on."""
    return np.repeat([1, 2, 0], [n_relieved, n_stopped, n - n_relieved - n_stopped])


def test_each_end_is_rare_or_common_by_its_share(analysis_of):
    size = np.linspace(1.0, 6.0, 100)
    term = Term(("size_mm",), "log", centre=2.0)

    def found(relieved, stopped, horizon=1, **settings):
        ending = ends_of(relieved, stopped)
        cases = analysis_of((term,), {"size_mm": size.tolist()}, np.ones(100, dtype=int), ending)
        return outcomes_by(cases, horizon, **settings)

    assert found(40, 14) == {"relieved": "common", "stopped": "rare"}
    assert found(14, 15) == {"relieved": "rare", "stopped": "common"}
    assert found(40, 14, outcome="common") == {"relieved": "common", "stopped": "common"}
    with pytest.raises(FitError, match="horizon"):
        found(40, 14, horizon=0)


def test_shares_by_the_horizon_are_of_aalen_and_johansen(analysis_of):
    """Of 100, 10 stop at the first session, 40 go on unseen, 10 of 50 at risk stop at the second: .1 + .9 x .2."""
    sessions = np.repeat([1, 1, 2, 2], [10, 40, 10, 40])
    ending = np.repeat([2, 0, 2, 1], [10, 40, 10, 40])
    term = Term(("size_mm",), "log", centre=2.0)
    cases = analysis_of((term,), {"size_mm": np.linspace(1.0, 6.0, 100).tolist()}, sessions, ending)

    assert outcomes_by(cases, 1)["stopped"] == "rare"
    assert outcomes_by(cases, 2)["stopped"] == "common"


def test_a_table_says_which_rule_each_end_took():
    cases = clinic(cases=400)
    stopped = cases.index[cases.ending == "stopped"]
    # most of those that stopped go on instead: a rare end
    cases.loc[stopped[30:], "ending"] = "ongoing"
    cases.loc[stopped[30:], "stop_reason"] = "not_applicable"
    found = estimate_effects(
        cases, "core", curves=[], measures=[Measure("incidence", 0, 2)], penalty="firth"
    ).confounding

    odds = found[found["of"] == "odds"].set_index("end")
    assert set(odds.loc["stopped", "outcome"]) == {"rare"}
    assert set(odds.loc["relieved", "outcome"]) == {"common"}
    np.testing.assert_allclose(odds.loc["stopped", "risk_ratio"], odds.loc["stopped", "ratio"], rtol=1e-12)
    np.testing.assert_allclose(
        odds.loc["relieved", "risk_ratio"], np.sqrt(odds.loc["relieved", "ratio"]), rtol=1e-12
    )
    assert set(found.loc[found["of"] == "risk", "outcome"]) == {"any"}


def test_ratios_of_rates_are_called_so():
    words = {"feature": "size_mm", "value": "4", "against": "2", "held": "", "ratio": 2.0, "low": 1.2}
    ratios = pd.DataFrame([{"end": "relieved", **words, "high": 3.3}])
    averages = pd.DataFrame(
        [{"measure": "incidence", "end": "relieved", "session": 2, **words, "high": 3.3}]
    ).assign(ratio_low=1.2, ratio_high=3.3)

    found = confounding_table(ratios, averages, outcomes={"relieved": "common"}, link="cloglog")

    assert found["of"].tolist() == ["rate", "risk"]
    assert found.risk_ratio.tolist() == [e_value_of_rate(2.0).ratio, 2.0]


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
