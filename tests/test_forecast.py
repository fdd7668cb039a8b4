"""Forecasts: tables, ranges and prediction intervals by hand, and what every forecast obeys."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from retreat.errors import FitError
from retreat.forecast import Forecast

ENDS = ("relieved", "stopped")


def of(*draws: list[list[float]], done: int = 0) -> Forecast:
    """Forecast of one case; each draw holds a row of probabilities for each end."""
    pmf = np.array(draws, dtype=float)[:, None]
    return Forecast(pmf, np.array([done]), ("a",), ENDS[: pmf.shape[2]])


def random_forecast(seed: int, draws: int = 7, cases: int = 3, horizon: int = 5) -> Forecast:
    shares = np.random.default_rng(seed).dirichlet(np.full(2 * horizon + 1, 0.5), size=(draws, cases))
    pmf = shares[..., :-1].reshape(draws, cases, 2, horizon)
    return Forecast(pmf, np.zeros(cases, dtype=np.int64), tuple("abc"[:cases]), ENDS)


# two draws of one case over two sessions; cumulative relieved 0.2, 0.5 and 0.4, 0.6; stopped 0.1, 0.1 and 0, 0.2
TWO_DRAWS = of([[0.2, 0.3], [0.1, 0.0]], [[0.4, 0.2], [0.0, 0.2]])


def test_incidence_and_share_in_treatment_by_hand() -> None:
    assert TWO_DRAWS.incidence[:, 0, 0] == pytest.approx(np.array([[0.2, 0.5], [0.4, 0.6]]), abs=1e-15)
    assert TWO_DRAWS.in_treatment[:, 0] == pytest.approx(np.array([[0.7, 0.4], [0.6, 0.2]]), abs=1e-15)
    assert TWO_DRAWS.horizon == 2
    assert TWO_DRAWS.states == ("relieved", "stopped", "in_treatment")


def test_the_table_has_these_columns_and_one_row_a_case_session_and_state() -> None:
    table = random_forecast(1).table()
    assert list(table.columns) == ["case", "session", "state", "estimate", "low", "high", "note"]
    assert [str(t) for t in table.dtypes] == ["str", "int64", "str", *["float64"] * 3, "str"]
    keys = set(zip(table["case"], table["session"], table["state"], strict=True))
    states = ("relieved", "stopped", "in_treatment")
    assert keys == {(case, k, state) for case in "abc" for k in range(1, 6) for state in states}
    assert len(table) == 3 * 5 * 3


def test_the_table_holds_mean_and_quantiles_over_draws_by_hand() -> None:
    table = TWO_DRAWS.table(level=0.5).set_index(["state", "session"])[["estimate", "low", "high"]]
    # quantiles 0.25 and 0.75 of two draws lie a quarter of the way in from each
    assert table.loc[("relieved", 1)].tolist() == pytest.approx([0.3, 0.25, 0.35], abs=1e-15)
    assert table.loc[("relieved", 2)].tolist() == pytest.approx([0.55, 0.525, 0.575], abs=1e-15)
    assert table.loc[("stopped", 2)].tolist() == pytest.approx([0.15, 0.125, 0.175], abs=1e-15)
    assert table.loc[("in_treatment", 1)].tolist() == pytest.approx([0.65, 0.625, 0.675], abs=1e-15)


def test_each_row_of_the_table_belongs_to_its_own_case_and_state() -> None:
    forecast = random_forecast(2)
    mean = forecast.mean()
    for row in forecast.table().itertuples():
        case, state = "abc".index(row.case), forecast.states.index(row.state)
        assert row.estimate == mean[case, state, row.session - 1]


@given(st.integers(0, 10**6), st.floats(0.01, 0.99))
@settings(max_examples=40, deadline=None)
def test_ranges_are_ordered_and_widen_with_the_level(seed: int, level: float) -> None:
    forecast = random_forecast(seed)
    narrow, wide = forecast.table(level), forecast.table((1 + level) / 2)
    assert np.all(narrow["low"] <= narrow["high"])
    assert np.all(wide["low"] <= narrow["low"] + 1e-15)
    assert np.all(narrow["high"] <= wide["high"] + 1e-15)


@given(st.integers(0, 10**6))
@settings(max_examples=40, deadline=None)
def test_the_states_add_to_1_at_every_session(seed: int) -> None:
    forecast = random_forecast(seed)
    together = forecast.incidence.sum(axis=2) + forecast.in_treatment
    assert together == pytest.approx(np.ones_like(together), abs=1e-14)
    assert forecast.mean().sum(axis=1) == pytest.approx(np.ones((3, 5)), abs=1e-14)


def test_a_range_narrows_to_nothing_where_the_draws_agree() -> None:
    table = of([[0.2, 0.3], [0.1, 0.0]], [[0.2, 0.3], [0.1, 0.0]]).table()
    assert table["low"].tolist() == table["high"].tolist() == pytest.approx(table["estimate"].tolist())


# --- number of sessions


def sessions_row(forecast: Forecast, level: float = 0.8) -> dict[str, float]:
    frame = forecast.sessions(level)
    told = ["case", "done", "mean", "further", "median", "low", "high", "beyond", "note"]
    assert list(frame.columns) == told
    assert frame["further"].tolist() == (frame["mean"] - frame["done"]).tolist()
    return frame.iloc[0].to_dict()


def test_the_number_of_sessions_by_hand() -> None:
    # ends at 1, 2, 3, 4 with 0.05, 0.25, 0.5, 0.2 in either way: cumulative 0.05, 0.3, 0.8, 1
    row = sessions_row(of([[0.05, 0.15, 0.4, 0.1], [0.0, 0.1, 0.1, 0.1]]))
    assert row["mean"] == pytest.approx(0.05 * 1 + 0.25 * 2 + 0.5 * 3 + 0.2 * 4, abs=1e-12)
    # level 0.8: the first sessions by which 0.1, 0.5 and 0.9 have ended
    assert (row["low"], row["median"], row["high"]) == (2, 3, 4)
    assert row["beyond"] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("level", "low", "high"),
    [(0.5, 2, 4), (0.7, 2, 5), (0.78, 2, 5), (0.8, 2, 6), (0.82, 1, 6), (0.96, 1, 7)],
)
def test_the_interval_cuts_half_of_the_rest_off_at_either_end(level: float, low: int, high: int) -> None:
    # cumulative 0.095, 0.3, 0.5, 0.76, 0.892, 0.95, 1: tails of 0.25, 0.15, 0.11, 0.1, 0.09, 0.02
    row = sessions_row(of([[0.095, 0.205, 0.2, 0.26, 0.132, 0.058, 0.05]]), level)
    assert (row["low"], row["high"]) == (low, high)


def test_a_course_past_the_horizon_counts_as_the_horizon_in_the_mean_and_has_no_upper_end() -> None:
    # ends at 1, 2, 3 with 0.1, 0.3, 0.2; 0.4 go on after 3
    row = sessions_row(of([[0.1, 0.3, 0.2]]))
    assert row["mean"] == pytest.approx(0.1 * 1 + 0.3 * 2 + 0.6 * 3, abs=1e-12)
    assert (row["low"], row["median"]) == (1, 3)
    assert np.isnan(row["high"])
    assert row["beyond"] == pytest.approx(0.4, abs=1e-12)


def test_the_median_is_missing_where_most_courses_pass_the_horizon() -> None:
    row = sessions_row(of([[0.1, 0.1]]))
    assert np.isnan(row["median"])
    assert row["low"] == 1


def test_a_quantile_met_exactly_counts_as_reached_whatever_the_last_digit() -> None:
    # one less the share left after three sessions is 0.9 in tenths, 0.8999999999999999 in floats
    assert sessions_row(of([[0.3, 0.3, 0.3, 0.1]]), level=0.8)["high"] == 3


def test_the_prediction_interval_holds_luck_and_parameters_together() -> None:
    # one draw says nearly all end at 1, the other at 3: the mixture has a half at each
    row = sessions_row(of([[1.0, 0.0, 0.0]], [[0.0, 0.0, 1.0]]))
    assert (row["low"], row["median"], row["high"]) == (1, 1, 3)
    assert row["mean"] == 2.0


def test_sessions_already_done_count_into_the_course() -> None:
    # two done: the course ends at 3 or 4, evenly
    row = sessions_row(of([[0.0, 0.0, 0.5, 0.5]], done=2))
    assert row["done"] == 2
    assert row["mean"] == 3.5
    assert (row["low"], row["median"], row["high"]) == (3, 3, 4)


def test_a_case_that_reached_the_horizon_has_nothing_left_to_forecast() -> None:
    row = sessions_row(of([[0.0, 0.0]], done=2))
    assert row["mean"] == 2.0
    assert np.isnan([row["low"], row["median"], row["high"]]).all()
    assert row["beyond"] == 1.0


@given(st.integers(0, 10**6))
@settings(max_examples=40, deadline=None)
def test_the_restricted_mean_is_the_mean_of_a_course_cut_at_the_horizon(seed: int) -> None:
    forecast = random_forecast(seed)
    ended = forecast.pmf.mean(axis=0).sum(axis=1)  # (cases, horizon)
    by_hand = ended @ np.arange(1, 6) + 5 * (1 - ended.sum(axis=1))
    assert forecast.sessions()["mean"].to_numpy() == pytest.approx(by_hand, abs=1e-12)


def test_a_single_case_among_many_keeps_its_numbers() -> None:
    forecast = random_forecast(3)
    alone = Forecast(forecast.pmf[:, 1:2], forecast.done[1:2], ("b",), ENDS)
    expected = forecast.sessions().iloc[[1]].reset_index(drop=True)
    assert alone.sessions().equals(expected)


# --- for a program to read


def test_json_is_strict_and_says_what_the_table_says() -> None:
    forecast = dataclasses.replace(random_forecast(4), notes=(("x",), (), ("y", "z")), cautions=("careful",))
    entries = json.loads(json.dumps(forecast.to_json(level=0.8), allow_nan=False))
    table = forecast.table(level=0.8).set_index(["case", "state", "session"])
    for entry in entries:
        assert (entry["done"], entry["sessions"], entry["level"]) == (0, [1, 2, 3, 4, 5], 0.8)
        assert entry["cautions"] == ["careful"]
        for quantity in ("estimate", "low", "high"):
            for state, values in entry[quantity].items():
                expected = [table.loc[(entry["case"], state, k), quantity] for k in range(1, 6)]
                assert values == expected
    assert [entry["notes"] for entry in entries] == [["x"], [], ["y", "z"]]


def test_json_of_a_case_past_the_horizon_is_strict_too() -> None:
    text = json.dumps(of([[0.0, 0.0]], done=3).to_json(), allow_nan=False)
    assert json.loads(text)[0]["estimate"]["in_treatment"] == [1.0, 1.0]
    assert json.loads(text)[0]["notes"] == []


def test_a_forecast_of_no_case_is_empty_and_not_an_error() -> None:
    empty = Forecast(np.empty((4, 0, 2, 3)), np.empty(0, dtype=np.int64), (), ENDS)
    assert len(empty.table()) == len(empty.sessions()) == len(empty.to_json()) == 0


# --- refusals


@pytest.mark.parametrize("level", [0.0, 1.0, -0.1, 90, float("nan")])
@pytest.mark.parametrize("method", ["table", "sessions", "to_json"])
def test_a_level_that_is_no_share_is_refused(method: str, level: float) -> None:
    with pytest.raises(ValueError, match="allowed: above 0 and below 1"):
        getattr(TWO_DRAWS, method)(level)


def test_a_level_in_percent_is_answered_with_the_share() -> None:
    with pytest.raises(FitError, match=r"80% is level=0\.8"):
        TWO_DRAWS.sessions(level=80)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"pmf": np.zeros((2, 2, 3))}, "pmf needs the shape"),
        ({"pmf": np.zeros((2, 2, 2, 3))}, "pmf needs the shape"),
        ({"ends": ("relieved",)}, "pmf needs the shape"),
        ({"done": np.array([0, 1])}, "one number a case"),
        ({"notes": ((), ())}, "one entry a case"),
        ({"pmf": np.full((2, 1, 2, 2), np.nan)}, "not numbers"),
        ({"pmf": np.full((2, 1, 2, 2), np.inf)}, "not numbers"),
    ],
)
def test_parts_that_do_not_fit_together_are_refused(changes: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        dataclasses.replace(TWO_DRAWS, **changes)


def test_a_mean_is_never_below_the_sessions_had() -> None:
    past = of([[0.0, 0.0, 0.0], [0.0, 0.0, 0.0]], done=9)
    assert past.sessions()["mean"].tolist() == [9.0]
