"""Closed criteria against published examples and the packages of their authors (`size_recipe.py`)."""

import csv
from math import ceil
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from retreat.errors import FitError
from retreat.study.size import (
    external_validation_size,
    least_for_rate,
    least_for_share,
    most_r_squared,
    most_r_squared_of_rate,
    r_squared_of_concordance,
    r_squared_of_nagelkerke,
)
from retreat.study.size.closed import Z, share_by, shrinkage_at
from retreat.study.size.external import normal_predictor

DATA = Path(__file__).parent / "data" / "closed.csv"
ROWS = list(csv.DictReader(DATA.read_text(encoding="utf-8").splitlines()))


def of_kind(kind):
    return [
        pytest.param(
            {
                name: int(value) if name == "parameters" else float(value)
                for name, value in (one.split("=") for one in row["inputs"].split())
            },
            [int(n) for n in row["expected"].split()],
            id=row["inputs"],
        )
        for row in ROWS
        if row["kind"] == kind
    ]


@pytest.mark.parametrize(("inputs", "expected"), of_kind("share"))
def test_a_yes_or_no_outcome_asks_for_as_many_as_published(inputs, expected):
    found = least_for_share(**inputs)
    assert [found.shrinkage, found.optimism, found.overall] == expected
    assert found.cases == max(expected)


@pytest.mark.parametrize(("inputs", "expected"), of_kind("rate"))
def test_a_time_to_an_event_asks_for_as_many_as_published(inputs, expected):
    found = least_for_rate(**inputs)
    assert [found.shrinkage, found.optimism] == expected
    # the package only tells the interval at the larger of both; ours is narrow enough there
    assert found.overall <= max(expected)


@pytest.mark.parametrize(("inputs", "expected"), of_kind("external"))
def test_an_external_validation_asks_for_as_many_as_published(inputs, expected):
    lp, weights = normal_predictor(inputs.pop("mean"), inputs.pop("sd"))
    # the valves' mean chance is not their share: the example takes each from another source
    found = external_validation_size(
        **inputs, predictor=lp, weights=weights, standard_error="published", tolerance=2.0
    )
    assert found.observed_expected == expected[0]
    assert found.concordance == expected[2]
    # theirs rests on a million draws of the linear predictor, ours on a quadrature
    assert found.slope == pytest.approx(expected[1], rel=0.005)


def test_the_interval_of_a_validation_is_no_wider_than_asked_and_one_case_fewer_is():
    """The width of exp(+-1.96 SE), SE^2 = (1 - share) / (share n), written out anew."""

    def width(n, share):
        error = np.sqrt((1 - share) / (share * n))
        return np.exp(Z * error) - np.exp(-Z * error)

    for mean, sd, asked in ((-1.75, 1.22, 0.2), (-1.75, 1.22, 0.35), (-4.02, 1.17, 0.2)):
        lp, weights = normal_predictor(mean, sd)
        share = float(weights @ (1 / (1 + np.exp(-lp))))
        n = external_validation_size(
            share=share, concordance=0.75, predictor=lp, weights=weights, ratio_width=asked
        ).observed_expected
        assert width(n, share) <= asked < width(n - 1, share)


def test_a_share_that_the_predictors_do_not_have_is_refused():
    lp, weights = normal_predictor(-5.0, 2.5)
    valves = {"share": 0.018, "concordance": 0.8, "predictor": lp, "weights": weights}

    with pytest.raises(FitError, match="mean chance of the predictors is"):
        external_validation_size(**valves)
    assert external_validation_size(**valves, tolerance=2.0).cases > 0


def test_two_eyes_of_a_patient_cost_a_design_effect():
    lp, weights = normal_predictor(-1.75, 1.22)
    asked = {"share": 0.2, "concordance": 0.78, "predictor": lp, "weights": weights}
    alone = external_validation_size(**asked)

    twice = external_validation_size(**asked, eyes_per_patient=2.0)
    half = external_validation_size(**asked, eyes_per_patient=2.0, alike=0.5)

    # all patients with two eyes that never differ: as many patients as eyes
    assert (twice.slope, twice.concordance) == (2 * alone.slope, 2 * alone.concordance)
    assert half.observed_expected == ceil(1.5 * alone.observed_expected)
    assert (alone.design_effect, half.design_effect, twice.design_effect) == (1.0, 1.5, 2.0)
    assert twice.events == pytest.approx(0.2 * twice.cases)


def test_events_a_parameter_are_those_of_the_abstract_of_2019():
    assert least_for_share(r_squared=0.288, parameters=24, share=0.174).events_per_parameter == pytest.approx(
        4.8, abs=0.005
    )
    found = least_for_rate(r_squared=0.051, parameters=30, rate=0.065, follow_up=2.07, horizon=2)
    assert found.events_per_parameter == pytest.approx(23.07, abs=0.005)


def test_the_largest_r_squared_is_as_tabled():
    # Riley and others 2019, 2020, table of the largest R squared by share (from memory)
    table = {0.5: 0.75, 0.4: 0.74, 0.3: 0.71, 0.2: 0.63, 0.1: 0.48, 0.05: 0.33, 0.01: 0.11}
    assert {share: round(most_r_squared(share), 2) for share in table} == table
    # pmsampsize 0.1.0: 0.5547 by rounding the events of 10,000 cases up
    assert most_r_squared_of_rate(0.065, 2.07) == pytest.approx(0.55473, abs=1e-4)
    assert r_squared_of_nagelkerke(0.15, most_r_squared(0.174)) == pytest.approx(0.09, abs=0.001)


@pytest.mark.parametrize(
    ("concordance", "share", "simulated"),
    # pmsampsize 0.1.0, means of two seeds of a million cases
    [(0.89, 0.174, 0.29089), (0.7, 0.3, 0.10361), (0.8, 0.05, 0.06216)],
)
def test_a_concordance_implies_the_r_squared_that_simulation_gives(concordance, share, simulated):
    assert r_squared_of_concordance(concordance, share) == pytest.approx(simulated, abs=0.0015)


def test_the_interval_of_a_share_is_that_of_the_published_example():
    # pmsampsize 0.1.0, recurrent thrombosis: 0.122 (0.113, 0.130)
    assert [round(x, 3) for x in share_by(2, 0.065, 5143 * 2.07)] == [0.122, 0.113, 0.130]


@given(margin=st.floats(0.005, 0.2), rate=st.floats(0.02, 0.8), horizon=st.floats(0.5, 4))
def test_the_share_by_a_horizon_is_as_precise_as_asked_and_no_more(margin, rate, horizon):
    found = least_for_rate(
        r_squared=0.05, parameters=3, rate=rate, follow_up=1.5, horizon=horizon, margin=margin
    )
    share, _, high = share_by(horizon, rate, found.overall * 1.5)
    assert high - share <= margin + 1e-9
    if found.overall > 1:
        share, _, high = share_by(horizon, rate, (found.overall - 1) * 1.5)
        assert high - share > margin - 1e-9


@given(r_squared=st.floats(0.02, 0.4), parameters=st.integers(1, 60), share=st.floats(0.2, 0.8))
def test_as_many_as_asked_for_give_the_shrinkage_asked_for(r_squared, parameters, share):
    found = least_for_share(r_squared=r_squared, parameters=parameters, share=share)
    assert shrinkage_at(found.shrinkage, r_squared, parameters) >= 0.9 - 1e-9
    assert shrinkage_at(found.shrinkage - 1, r_squared, parameters) < 0.9 + 1e-9
    more = least_for_share(r_squared=r_squared, parameters=parameters + 1, share=share)
    assert more.shrinkage >= found.shrinkage


GOOD = {"r_squared": 0.2, "parameters": 10, "share": 0.3}
OF_RATE = {"r_squared": 0.05, "parameters": 5, "rate": 0.1, "follow_up": 2.0, "horizon": 2.0}


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"share": 1.0}, "share"),
        ({"share": "half"}, "share"),
        ({"share": float("nan")}, "share"),
        ({"parameters": 0}, "parameters"),
        ({"parameters": True}, "parameters"),
        ({"parameters": 2.5}, "parameters"),
        ({"r_squared": 0.9}, "r_squared"),
        ({"shrinkage": 1.0}, "shrinkage"),
        ({"shrinkage": 0.1}, "r_squared"),
        ({"margin": 0.0}, "margin"),
    ],
)
def test_impossible_arguments_of_a_share_are_named(change, where):
    with pytest.raises(FitError, match=where):
        least_for_share(**(GOOD | change))


@pytest.mark.parametrize("name", ["rate", "follow_up", "horizon"])
def test_impossible_arguments_of_a_rate_are_named(name):
    with pytest.raises(FitError, match=name):
        least_for_rate(**(OF_RATE | {name: 0.0}))


def test_faults_are_told_at_once():
    with pytest.raises(FitError) as error:
        least_for_share(r_squared=0.1, parameters=0, share=2.0)
    assert {fault.where for fault in error.value.faults} == {"share", "parameters"}


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"predictor": np.zeros(5)}, "predictor"),
        ({"predictor": [1.0, np.nan]}, "predictor"),
        ({"predictor": []}, "predictor"),
        ({"weights": [1.0]}, "predictor"),
        ({"concordance": 0.4}, "concordance"),
        ({"ratio_width": 0.0}, "ratio_width"),
        ({"eyes_per_patient": 2.5}, "eyes_per_patient"),
        ({"alike": -0.1}, "alike"),
        ({"tolerance": 0.0}, "tolerance"),
        ({"standard_error": "up"}, "standard_error"),
    ],
)
def test_impossible_arguments_of_a_validation_are_named(change, where):
    with pytest.raises(FitError, match=where):
        external_validation_size(**({"share": 0.2, "concordance": 0.7, "predictor": [0.0, 1.0]} | change))
