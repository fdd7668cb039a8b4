"""Support: small cells hidden, ranges without a patient's own value, warnings and refusals outside."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from retreat.model import support
from retreat.model.support import CaseSupport, Support

EDGES = {"opacity": (), "size_mm": (1.5, 3.0)}


def texts(*values: str | None) -> np.ndarray:
    return np.array(values, dtype=object)


def clinic() -> Support:
    """30 rings of 1 to 2 mm, 12 clouds of 4 to 5 mm, 10 strands of 2 mm."""
    return support.learn(
        {
            "opacity": texts(*["ring"] * 30, *["cloud"] * 12, *["strand"] * 10),
            "size_mm": np.concatenate([np.linspace(1, 2, 30), np.linspace(4, 5, 12), np.full(10, 2.0)]),
        },
        EDGES,
    )


def of(found: Support, **case: Any) -> CaseSupport:
    columns = {
        name: texts(v) if v is None or isinstance(v, str) else np.array([v]) for name, v in case.items()
    }
    (one,) = found.of(columns, n_cases=1)
    return one


# --- what is kept


def test_levels_seen_in_fewer_than_11_cases_are_kept_as_0_and_the_rest_as_11() -> None:
    assert clinic().levels == {"opacity": {"cloud": 11, "ring": 11, "strand": 0}}


def test_the_count_of_a_rare_level_cannot_be_worked_out_from_the_others() -> None:
    # 52 cases in all: had the frequent levels kept 30 and 12, the strands would be 10
    assert not {30, 12, 10} & {n for counts in clinic().levels.values() for n in counts.values()}


def test_combinations_seen_in_fewer_than_11_cases_are_left_out() -> None:
    # rings of 1 to 2 mm: 15 below 1.5 and 15 from there on
    assert clinic().cells == {"cloud|2": 12, "ring|0": 15, "ring|1": 15}


@pytest.mark.parametrize(("n", "kept"), [(10, {}), (11, {"ring": 11})])
def test_the_smallest_cell_that_is_shown_has_11_cases(n: int, kept: dict[str, int]) -> None:
    assert support.learn({"opacity": texts(*["ring"] * n)}, {"opacity": ()}).cells == kept


def test_a_missing_feature_counts_in_no_cell_and_no_level() -> None:
    found = support.learn({"opacity": texts(*["ring"] * 12, *[None] * 12)}, {"opacity": ()})
    assert found.cells == {"ring": 12}
    assert found.levels == {"opacity": {"ring": 11}}


def test_a_value_on_an_edge_belongs_to_the_band_above() -> None:
    found = support.learn({"size_mm": np.array([1.5] * 11 + [3.0] * 12)}, {"size_mm": (1.5, 3.0)})
    assert found.cells == {"1": 11, "2": 12}


@pytest.mark.parametrize(
    ("low", "high", "kept"),
    [
        # two digits of the width: steps of 0.1, 1, 1, 0.01; limits halfway between round numbers
        (0.5, 9.0, (0.45, 9.05)),
        (1.1, 11.0, (0.5, 11.5)),
        (30.0, 88.0, (29.5, 88.5)),
        (0.21, 0.87, (0.205, 0.875)),
        (-12.0, -1.0, (-12.5, -0.5)),
        # a limit that a patient has moves one step on
        (0.45, 9.05, (0.35, 9.15)),
        (2.0, 2.0, (1.95, 2.05)),
    ],
)
def test_ranges_are_widened_to_limits_that_no_patient_has(
    low: float, high: float, kept: tuple[float, float]
) -> None:
    found = support.learn({"size_mm": np.array([high, low, np.nan, (low + high) / 2])}, {})
    assert found.ranges["size_mm"] == pytest.approx(kept, abs=1e-12)


recorded = st.one_of(
    st.floats(-30, 100),
    st.integers(-60, 200).map(lambda n: n / 2),
    st.integers(-300, 1000).map(lambda n: n / 10),
    st.integers(0, 100).map(lambda n: n / 100),
)


@given(st.lists(recorded, min_size=1, max_size=30))
@settings(max_examples=200, deadline=None)
@example([0.0])
@example([0.3, 0.7])
@example([0.05, 0.95, 1.05])
def test_no_limit_of_a_range_is_the_value_of_a_patient(values: list[float]) -> None:
    low, high = support.learn({"x": np.array(values)}, {}).ranges["x"]
    assert low < min(values)
    assert high > max(values)
    width = max(max(values) - min(values), abs(max(values)), 1e-3)
    # at most a step and a half wider at either end, a step being a tenth of the width or less
    assert min(values) - low < 0.16 * width
    assert high - max(values) < 0.16 * width


def test_a_feature_missing_throughout_has_no_range() -> None:
    assert support.learn({"size_mm": np.full(20, np.nan)}, {}).ranges == {}


def test_no_case_leaves_an_empty_support() -> None:
    assert support.learn({}, {}) == Support({}, {}, {}, {})


def test_support_is_the_same_after_strict_json() -> None:
    found = clinic()
    assert Support.from_json(json.loads(json.dumps(found.to_json(), allow_nan=False))) == found


# --- how many like it


def test_like_cases_are_those_of_the_same_bands() -> None:
    one = of(clinic(), opacity="ring", size_mm=1.2)
    assert (one.n_like, one.n_like_words) == (15, "15")
    assert one.alike_in == ("opacity ring", "size_mm under 1.5")


@pytest.mark.parametrize(
    ("size", "words"),
    [(1.4, "under 1.5"), (1.5, "1.5 to under 3"), (2.9, "1.5 to under 3"), (3.0, "3 or more")],
)
def test_bands_are_told_in_words(size: float, words: str) -> None:
    assert of(clinic(), opacity="ring", size_mm=size).alike_in[1] == f"size_mm {words}"


def test_fewer_than_11_like_cases_are_never_counted_out() -> None:
    one = of(clinic(), opacity="strand", size_mm=2.0)
    assert (one.n_like, one.n_like_words) == (0, "fewer than 11")


def test_an_unknown_feature_widens_what_counts_as_like() -> None:
    assert of(clinic(), opacity="ring", size_mm=np.nan).n_like == 30
    only_size = of(clinic(), opacity=None, size_mm=4.5)
    assert (only_size.n_like, only_size.alike_in) == (12, ("size_mm 3 or more",))


def test_without_features_that_define_likeness_every_case_is_alike() -> None:
    found = support.learn({"size_mm": np.linspace(1, 5, 40)}, {})
    one = of(found, size_mm=2.0)
    assert (one.n_like, one.alike_in) == (40, ())


# --- inside and outside


def test_a_case_inside_the_range_is_neither_warned_of_nor_refused() -> None:
    one = of(clinic(), opacity="cloud", size_mm=4.2)
    assert (one.warnings, one.refusals) == ((), ())


def test_the_range_itself_counts_as_inside() -> None:
    # sizes 1 to 5, kept as 0.95 to 5.05
    for size in (0.95, 5.05):
        assert of(clinic(), opacity="ring", size_mm=size).warnings == ()


@pytest.mark.parametrize(
    ("size", "warned", "refused"),
    [
        # a quarter of the width beyond the limits 0.95 and 5.05: above 5.05 + 4.1 / 4 = 6.075 in millimetres,
        # below 0.95 / (5.05 / 0.95)^(1/4) = 0.6256 in ratios
        (5.1, True, False),
        (6.07, True, False),
        (6.08, False, True),
        (0.9, True, False),
        (0.63, True, False),
        (0.62, False, True),
    ],
)
def test_a_case_outside_is_warned_of_and_far_outside_refused(
    size: float, warned: bool, refused: bool
) -> None:
    one = of(clinic(), opacity="ring", size_mm=size)
    assert (bool(one.warnings), bool(one.refusals)) == (warned, refused)
    text = f"size_mm {size:g} is outside the fitted range 0.95 to 5.05"
    assert (*one.warnings, *one.refusals) == (text,)


def test_a_level_never_seen_is_refused() -> None:
    assert of(clinic(), opacity="sheet", size_mm=2.0).refusals == ("no fitted case has opacity sheet",)


def test_a_level_seldom_seen_is_warned_of() -> None:
    one = of(clinic(), opacity="strand", size_mm=2.0)
    assert (one.warnings, one.refusals) == (("fewer than 11 fitted cases have opacity strand",), ())


def test_a_missing_feature_is_neither_warned_of_nor_refused() -> None:
    one = of(clinic(), opacity=None, size_mm=np.nan)
    assert (one.warnings, one.refusals, one.n_like) == ((), (), 42)


def test_several_reasons_come_together() -> None:
    one = of(clinic(), opacity="sheet", size_mm=14.0)
    assert len(one.refusals) == 2


@pytest.mark.parametrize(
    ("size", "refused"), [(0.1, True), (0.45, True), (0.6, False), (1.0, False), (13.0, False), (16.0, True)]
)
def test_a_size_many_times_smaller_than_any_seen_is_refused(size: float, refused: bool) -> None:
    # range 0.9 to 12: a quarter of its width in ratios is a factor of 1.91, so from 0.471; in millimetres to 14.8
    seen = Support({"size_mm": (0.9, 12.0)}, {}, {}, {})
    found = seen.of({"size_mm": np.array([size])}, n_cases=1)[0]
    assert bool(found.refusals) == refused
