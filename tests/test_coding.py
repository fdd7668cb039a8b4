"""Coding of features: columns by hand, replay after JSON, missing values, refusals."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from retreat.coding import Coding, Term, learn, spline_basis, spline_knots
from retreat.errors import DefinitionError, FitError

KIND = Term(("opacity",), "category", reference="ring", levels=("ring", "strand", "cloud"))
SURGERY = Term(("corneal_surgery",), "category", reference="no", levels=("no", "yes"))
SIZE = Term(("size_mm",), "log", centre=2.0)
DEPTH = Term(("depth",), "linear", centre=0.5)
ANGLE = Term(("eccentricity_deg",), "linear", centre=5.0, scale=10.0)
AGE = Term(("age",), "spline", centre=60.0, scale=10.0, n_knots=3)
BOTH = Term(("corneal_surgery", "depth"), "interaction")


def texts(*values: str | None) -> np.ndarray:
    return np.array(values, dtype=object)


def coded(terms: list[Term], **features: Any) -> list[list[float]]:
    n_cases = len(next(iter(features.values())))
    return learn(terms, features).encode(features, n_cases=n_cases).tolist()


# --- columns by hand


def test_a_category_has_an_indicator_for_each_level_but_the_reference() -> None:
    assert coded([KIND], opacity=texts("ring", "strand", "cloud")) == [[0, 0], [1, 0], [0, 1]]
    assert learn([KIND], {}).names == ("opacity=strand", "opacity=cloud")


def test_the_reference_may_stand_anywhere_among_the_levels() -> None:
    middle = Term(("opacity",), "category", reference="strand", levels=("ring", "strand", "cloud"))
    assert coded([middle], opacity=texts("ring", "strand", "cloud")) == [[1, 0], [0, 0], [0, 1]]
    assert learn([middle], {}).names == ("opacity=ring", "opacity=cloud")


def test_a_linear_term_is_shifted_and_scaled() -> None:
    assert coded([ANGLE], eccentricity_deg=np.array([5.0, 25.0, 0.0])) == [[0.0], [2.0], [-0.5]]
    assert learn([ANGLE], {}).names == ("(eccentricity_deg-5)/10",)


def test_a_log_term_is_the_log_of_the_ratio_to_the_centre() -> None:
    assert coded([SIZE], size_mm=np.array([2.0, 4.0, 1.0])) == [[0.0], [math.log(2)], [-math.log(2)]]


def test_a_spline_has_the_value_and_its_curved_terms_on_the_scale_of_the_term() -> None:
    # ages 41..79 on the scale (age - 60) / 10: 39 values, so the outer knots are the fifth from either end
    ages = np.arange(41.0, 80.0)
    coding = learn([AGE], {"age": ages})
    assert coding.knots == ((-1.5, 0.0, 1.5),)
    assert coding.names == ("(age-60)/10", "(age-60)/10'")
    # at 70, one unit above the middle knot: (2.5^3 - 1^3 x 3/1.5) / 3^2 = (15.625 - 2) / 9
    assert coding.encode({"age": [70.0]}, n_cases=1)[0] == pytest.approx([1.0, 13.625 / 9], abs=1e-12)


def test_an_interaction_is_the_product_of_the_columns_of_its_terms() -> None:
    features = {"corneal_surgery": texts("no", "yes", "yes"), "depth": np.array([0.9, 0.9, 0.25])}
    found = coded([SURGERY, DEPTH, BOTH], **features)
    assert found == [[0, 0.4, 0], [1, 0.4, 0.4], [1, -0.25, -0.25]]
    assert learn([SURGERY, DEPTH, BOTH], features).names[-1] == "corneal_surgery=yes x depth-0.5"


def test_an_interaction_of_two_categories_has_a_column_for_each_pair() -> None:
    both = Term(("opacity", "corneal_surgery"), "interaction")
    lens = Term(("lens",), "category", reference="a", levels=("a", "b", "c"))
    pair = Term(("opacity", "lens"), "interaction")
    coding = learn([KIND, SURGERY, lens, both, pair], {})
    assert coding.names[5:] == (
        "opacity=strand x corneal_surgery=yes",
        "opacity=cloud x corneal_surgery=yes",
        "opacity=strand x lens=b",
        "opacity=strand x lens=c",
        "opacity=cloud x lens=b",
        "opacity=cloud x lens=c",
    )
    case = {"opacity": texts("cloud"), "corneal_surgery": texts("yes"), "lens": texts("b")}
    assert coding.encode(case, n_cases=1)[0, 5:].tolist() == [0, 1, 0, 0, 1, 0]


def test_columns_know_their_terms() -> None:
    coding = learn([KIND, SURGERY, DEPTH, BOTH], {})
    assert coding.term_of_column == (0, 0, 1, 2, 3)
    assert coding.columns_of(0) == [0, 1]
    assert coding.columns_of(3) == [4]
    assert coding.features == ("opacity", "corneal_surgery", "depth")


def test_a_coding_without_terms_gives_empty_rows() -> None:
    assert learn([], {}).encode({}, n_cases=3).shape == (3, 0)


def test_no_case_gives_no_row_of_the_right_width() -> None:
    features = {"corneal_surgery": texts(), "depth": np.empty(0)}
    coding = learn([SURGERY, DEPTH, BOTH], features)
    assert coding.encode(features, n_cases=0).shape == (0, 3)


# --- missing values


def test_a_missing_feature_is_nan_in_all_its_columns_and_in_no_other() -> None:
    features = {
        "opacity": texts(None, "cloud", "ring"),
        "corneal_surgery": texts("no", "no", None),
        "depth": np.array([0.5, np.nan, 0.5]),
    }
    found = np.isnan(coded([KIND, SURGERY, DEPTH, BOTH], **features))
    # columns: two kinds, surgery, depth, surgery x depth
    assert found.tolist() == [
        [True, True, False, False, False],
        [False, False, False, True, True],
        [False, False, True, False, True],
    ]


def test_a_missing_size_and_a_missing_age_are_nan_without_a_warning() -> None:
    features = {"size_mm": np.array([np.nan, 2.0]), "age": np.array([60.0, np.nan])}
    coding = learn([SIZE], features)
    assert np.isnan(coding.encode(features, n_cases=2)[:, 0]).tolist() == [True, False]
    spline = Coding((AGE,), ((-1.5, 0.0, 1.5),))
    assert np.isnan(spline.encode(features, n_cases=2)).tolist() == [[False, False], [True, True]]


def test_missing_values_are_left_out_when_knots_are_placed() -> None:
    ages = np.arange(41.0, 80.0)
    gaps = np.concatenate([[np.nan], ages, [np.nan, np.nan]])
    assert learn([AGE], {"age": gaps}).knots == learn([AGE], {"age": ages}).knots


# --- frozen and replayed


def test_knots_stay_those_of_the_fitted_cases() -> None:
    coding = learn([AGE], {"age": np.arange(41.0, 80.0)})
    alone = coding.encode({"age": [70.0]}, n_cases=1)[0]
    among = coding.encode({"age": [20.0, 70.0, 99.0]}, n_cases=3)[1]
    assert alone.tolist() == among.tolist()


@given(st.integers(0, 10**6), st.integers(3, 7))
@settings(max_examples=30, deadline=None)
def test_a_coding_replays_to_the_last_bit_after_json(seed: int, n_knots: int) -> None:
    rng = np.random.default_rng(seed)
    terms = [
        KIND,
        SURGERY,
        Term(("size_mm",), "log", centre=rng.uniform(0.1, 9)),
        Term(("depth",), "spline", centre=rng.normal(), scale=rng.uniform(0.1, 3), n_knots=n_knots),
        BOTH,
    ]
    features = {
        "opacity": rng.choice(texts("ring", "strand", "cloud", None), 40),
        "corneal_surgery": rng.choice(texts("no", "yes"), 40),
        "size_mm": rng.lognormal(size=40),
        "depth": rng.uniform(size=40),
    }
    coding = learn(terms, features)
    again = Coding.from_json(json.loads(json.dumps(coding.to_json(), allow_nan=False)))
    assert again == coding
    assert again.names == coding.names
    first, second = (c.encode(features, n_cases=40) for c in (coding, again))
    assert first.tobytes() == second.tobytes()


def test_a_setting_written_as_a_whole_number_is_saved_like_a_float() -> None:
    whole = Coding((Term(("age",), "linear", centre=60, scale=10),), ((),))
    assert json.dumps(whole.to_json()) == json.dumps(Coding.from_json(whole.to_json()).to_json())


@pytest.mark.parametrize(
    "break_it",
    [
        lambda data: data["terms"][0].update(form="cubic"),
        lambda data: data["terms"][0].pop("centre"),
        lambda data: data.update(knots=[]),
        lambda data: data.update(knots=[["x"]]),
        lambda data: data.update(terms=3),
    ],
)
def test_a_broken_record_of_a_coding_is_refused(break_it: Any) -> None:
    data = learn([DEPTH], {}).to_json()
    break_it(data)
    with pytest.raises((KeyError, TypeError, ValueError)):
        Coding.from_json(data)


# --- splines


def test_a_spline_is_a_straight_line_beyond_the_outer_knots() -> None:
    knots = (1.0, 2.0, 4.0, 7.0)
    for away in (np.array([-5.0, -4.0, -3.0]), np.array([8.0, 9.0, 10.0])):
        assert np.diff(spline_basis(away, knots), n=2, axis=0) == pytest.approx(np.zeros((1, 3)), abs=1e-12)
    assert not spline_basis([-5.0, 1.0], knots)[:, 1:].any()


def test_a_spline_is_smooth_at_its_knots() -> None:
    # value, slope and curvature from either side of each knot, by differences over 1e-3
    knots = (1.0, 2.0, 4.0, 7.0)
    for knot in knots:
        left = spline_basis(knot - 1e-3 * np.array([2, 1, 0]), knots)
        right = spline_basis(knot + 1e-3 * np.array([0, 1, 2]), knots)
        bend = np.diff(left, n=2, axis=0) / 1e-6 - np.diff(right, n=2, axis=0) / 1e-6
        # third derivatives are below 6 x 6 / 36, so that the bends over 2e-3 agree to a few thousandths
        assert np.abs(bend).max() < 5e-3


def test_below_10_values_knots_are_quantiles() -> None:
    # there is no fifth value from either end that leaves room for the middle: 1 + 8 x 0.1 = 1.8
    assert spline_knots(np.arange(1.0, 10.0), 3) == pytest.approx((1.8, 5.0, 8.2), abs=1e-12)


def test_knots_do_not_depend_on_the_order_of_values() -> None:
    values = np.random.default_rng(3).normal(size=150)
    assert spline_knots(values, 5) == spline_knots(values[::-1], 5)


@pytest.mark.parametrize("values", [[], [3.0] * 50, [1.0] * 25 + [2.0] * 25])
def test_values_that_do_not_separate_knots_are_refused_with_a_way_out(values: list[float]) -> None:
    with pytest.raises(FitError) as caught:
        learn([AGE], {"age": np.array(values)})
    (fault,) = caught.value.faults
    assert fault.where == "age"
    assert fault.what == f"{len(set(values))} distinct values do not separate 3 knots"
    assert "fewer knots" in fault.fix


def test_many_values_that_are_mostly_one_do_not_separate_knots() -> None:
    # 12 distinct values, but more than a third of all are 1: two knots fall on it
    with pytest.raises(FitError, match="12 distinct values do not separate 4 knots"):
        spline_knots([1.0] * 90 + list(range(2, 13)), 4)


# --- refusals


def test_an_unknown_level_is_refused_with_those_known() -> None:
    coding = learn([KIND], {})
    with pytest.raises(FitError) as caught:
        coding.encode({"opacity": texts("ring", "sheet", None, "haze")}, n_cases=4)
    (fault,) = caught.value.faults
    assert (fault.where, fault.allowed) == ("opacity", "ring, strand, cloud")
    assert fault.what == "level haze, sheet is not one the model knows"


@pytest.mark.parametrize("value", [0.0, -1.0])
def test_the_log_of_nothing_is_refused(value: float) -> None:
    with pytest.raises(FitError, match=f"size_mm: value {value:g}; allowed: above 0"):
        learn([SIZE], {}).encode({"size_mm": [2.0, value, np.nan]}, n_cases=3)


@pytest.mark.parametrize("terms", [[SURGERY, BOTH, DEPTH], [DEPTH, BOTH], [BOTH]])
def test_an_interaction_before_its_terms_is_refused(terms: list[Term]) -> None:
    with pytest.raises(DefinitionError, match="an interaction before its terms"):
        learn(terms, {})


def test_two_terms_of_one_feature_are_refused() -> None:
    with pytest.raises(DefinitionError, match="depth: two terms for one feature"):
        learn([DEPTH, Term(("depth",), "linear")], {})
