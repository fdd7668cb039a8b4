"""Features of a case: values by hand, missing values, refusals, and laws that every feature obeys."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from retreat.errors import DefinitionError, TableError
from retreat.features import FEATURES, LEVELS, MISSING_CODES, RANGES, feature, features, n_cases, number, text


def one(name: str, **columns: Any) -> Any:
    """The feature of a single case told by single values."""
    return feature(columns, name).tolist()[0]


def faults_of(name: str, **columns: Any) -> tuple[Any, ...]:
    with pytest.raises(TableError) as caught:
        feature(columns, name)
    return caught.value.faults


# --- reading columns


def test_every_way_of_being_missing_is_none_in_text() -> None:
    values = [*MISSING_CODES, None, float("nan"), np.float32("nan"), pd.NA, pd.NaT, "", "  ", "ring"]
    assert text({"opacity": values}, "opacity").tolist() == [None] * 10 + ["ring"]


def test_every_way_of_being_missing_is_nan_in_numbers() -> None:
    values = [*MISSING_CODES, None, float("nan"), pd.NA, "", 2]
    assert np.isnan(number({"size_mm": values}, "size_mm")).tolist() == [True] * 7 + [False]


def test_spaces_around_text_do_not_count() -> None:
    assert text({"lens": [" natural ", "unknown "]}, "lens").tolist() == ["natural", None]


def test_numbers_are_read_from_text_exactly() -> None:
    assert number({"sphere_d": ["-3.25", "1e1", " 4 ", 0.1, 7]}, "sphere_d").tolist() == [
        -3.25,
        10.0,
        4.0,
        0.1,
        7.0,
    ]


def test_a_column_the_table_lacks_is_missing() -> None:
    columns = {"opacity": ["ring", "cloud"]}
    assert text(columns, "lens").tolist() == [None, None]
    assert np.isnan(number(columns, "age")).all()


def test_single_values_are_one_case() -> None:
    assert n_cases({"opacity": "ring", "size_mm": 2.0}) == 1


@pytest.mark.parametrize("word", ["two", "1,5", "1_5", "inf", "nan", "True"])
def test_text_that_is_no_number_is_refused_with_its_place(word: str) -> None:
    with pytest.raises(TableError) as caught:
        number({"size_mm": ["1", word, "unknown", word]}, "size_mm")
    places = [(f.row, f.column, f.value) for f in caught.value.faults]
    assert places == [(3, "size_mm", word), (5, "size_mm", word)]  # the first case is row 2 of a spreadsheet


@pytest.mark.parametrize("values", [[1.0, np.inf], np.array([1.0, -np.inf]), [True, False]])
def test_infinities_and_truth_values_are_no_numbers(values: Any) -> None:
    with pytest.raises(TableError, match="size_mm"):
        number({"size_mm": values}, "size_mm")


def test_columns_of_different_lengths_are_refused() -> None:
    with pytest.raises(TableError, match="age: 1 values, but lens has 2"):
        number({"lens": ["natural", "natural"], "age": [50]}, "age")


def test_a_table_without_columns_has_no_cases() -> None:
    with pytest.raises(TableError, match="no columns"):
        n_cases({})


def test_a_doubled_column_is_refused() -> None:
    doubled = pd.DataFrame([[1.0, 2.0], [3.0, 4.0]], columns=["size_mm", "size_mm"])
    with pytest.raises(TableError, match="several columns of this name"):
        number(doubled, "size_mm")


# --- raw features


def test_an_unknown_level_is_refused_with_the_nearest() -> None:
    (fault,) = faults_of("opacity", opacity=["ring", "Clouds"])
    assert (fault.row, fault.column, fault.value) == (3, "opacity", "Clouds")
    assert "ring, strand, cloud, sheet" in fault.allowed
    assert "cloud" in fault.fix


def test_an_unknown_level_far_from_all_has_no_nearest() -> None:
    (fault,) = faults_of("lens", lens=["q"])
    assert fault.fix == "choose one of those allowed"


@pytest.mark.parametrize("name", sorted(RANGES))
def test_a_number_out_of_its_range_is_refused_at_both_ends_and_the_ends_are_allowed(name: str) -> None:
    low, high, _ = RANGES[name]
    target = "depth" if name.endswith("gap_mm") else name
    outside = [low - 0.001, low, high, high + 0.001]
    faults = faults_of(target, **{name: outside})
    assert [(f.row, f.column) for f in faults] == [(2, name), (5, name)]
    assert faults[1].value == f"{high + 0.001:.12g}"


def test_faults_of_several_columns_come_together() -> None:
    faults = faults_of("shadow_contrast", size_mm=[99.0, 2.0], pupil_mm=[5.0, 1.0], zone=["front", "middle"])
    assert {(f.row, f.column) for f in faults} == {(2, "size_mm"), (3, "pupil_mm"), (2, "zone")}


def test_faults_of_several_features_come_once_each() -> None:
    columns = {"cornea": ["none"], "zone": ["front"], "age": [200]}
    with pytest.raises(TableError) as caught:
        features(columns, ["depth", "zone_mixing", "age"])
    assert [f.column for f in caught.value.faults] == ["zone", "age"]


def test_an_unknown_feature_is_refused_with_the_nearest() -> None:
    with pytest.raises(DefinitionError, match="the nearest is size_mm"):
        feature({"opacity": ["ring"]}, "size")


def test_an_age_above_89_counts_as_90() -> None:
    assert feature({"age": [89, 90, 97, None]}, "age").tolist() == pytest.approx(
        [89, 90, 90, np.nan], nan_ok=True
    )


def test_any_corneal_surgery_is_a_yes() -> None:
    cornea = ["none", "myopic_ablation", "hyperopic_ablation", "incisional", "unknown"]
    assert feature({"cornea": cornea}, "corneal_surgery").tolist() == ["no", "yes", "yes", "yes", None]


# --- depth


@pytest.mark.parametrize(
    ("case", "depth", "source"),
    [
        # axial length 23.6 mm: vitreous 23.6 - 7.6 = 16 mm
        ({"lens_gap_mm": 3.0, "retina_gap_mm": 9.0, "axial_mm": 23.6, "zone": "anterior"}, 0.25, "measured"),
        ({"lens_gap_mm": 4.0, "axial_mm": 23.6, "zone": "posterior"}, 0.25, "one_gap"),
        ({"retina_gap_mm": 4.0, "axial_mm": 23.6}, 0.75, "one_gap"),
        ({"retina_gap_mm": 4.0, "zone": "middle"}, 0.5, "zone"),  # no axial length is invented
        ({"zone": "anterior"}, 1 / 6, "zone"),
        ({"zone": "posterior"}, 5 / 6, "zone"),
        ({"lens_gap_mm": 4.0, "zone": "unknown"}, np.nan, "missing"),
        ({"lens_gap_mm": 0.0, "retina_gap_mm": 9.0}, 0.0, "measured"),
        ({"lens_gap_mm": 18.4, "axial_mm": 23.6}, 1.0, "one_gap"),  # 2.4 mm too long: clipped
        ({"retina_gap_mm": 18.4, "axial_mm": 23.6}, 0.0, "one_gap"),
        ({"lens_gap_mm": 9.0, "retina_gap_mm": 9.0, "axial_mm": 23.6}, 0.5, "measured"),
    ],
)
def test_depth_comes_from_the_best_source_at_hand(case: dict[str, Any], depth: float, source: str) -> None:
    assert one("depth", **case) == pytest.approx(depth, abs=1e-12, nan_ok=True)
    assert one("depth_source", **case) == source


@pytest.mark.parametrize(
    ("gaps", "column"),
    [
        ({"lens_gap_mm": [18.6]}, "lens_gap_mm"),
        ({"retina_gap_mm": [18.6]}, "retina_gap_mm"),
        ({"lens_gap_mm": [9.3], "retina_gap_mm": [9.3]}, "lens_gap_mm"),
    ],
)
def test_gaps_that_exceed_the_vitreous_are_refused(gaps: dict[str, list[float]], column: str) -> None:
    (fault,) = faults_of("depth", axial_mm=[23.6], **gaps)  # the vitreous has 16 mm, 18.5 are tolerated
    assert (fault.row, fault.column, fault.value) == (2, column, "18.6")
    assert "16.0 mm" in fault.allowed


def test_two_gaps_of_nothing_are_refused() -> None:
    (fault,) = faults_of("depth", lens_gap_mm=[1.0, 0.0], retina_gap_mm=[1.0, 0.0])
    assert (fault.row, fault.column) == (3, "lens_gap_mm")


# --- zones of the cornea


@pytest.mark.parametrize("cornea", ["none", "incisional"])
def test_a_cornea_without_ablation_is_untreated_throughout_even_if_nothing_else_is_known(cornea: str) -> None:
    shares = [one(f"{zone}_share", cornea=cornea) for zone in ("treated", "transition", "untreated")]
    assert shares == [0.0, 0.0, 1.0]
    assert one("zone_mixing", cornea=cornea) == 0.0


@pytest.mark.parametrize("missing", ["cornea", "zone", "eccentricity_deg"])
def test_mixing_of_an_ablated_cornea_is_missing_where_any_part_is(missing: str) -> None:
    case = {"cornea": "myopic_ablation", "zone": "posterior", "eccentricity_deg": 20.0} | {missing: "unknown"}
    assert np.isnan(one("zone_mixing", **case))
    assert np.isnan(one("treated_share", **case))


def test_a_central_target_sees_the_treated_centre_alone() -> None:
    # at the retina the cone is 23.92 x 0.1047 = 2.51 mm in radius, inside the 3 mm of the treated centre
    case = {"cornea": "myopic_ablation", "lens_gap_mm": 16.0, "retina_gap_mm": 0.0, "eccentricity_deg": 0.0}
    assert one("treated_share", **case) == 1.0
    assert one("zone_mixing", **case) == 0.0


def test_mixing_of_an_ablated_cornea_equals_a_count_of_rays() -> None:
    # posterior, 35 degrees: radius (7.6 + 5/6 x 16.3203) x 0.1047413 = 2.2206 mm;
    # offset tan 35 x 16.468 / 20.240 x 3.680 = 2.0966 mm (rounded, so 5e-4 is open; so is the count)
    k = np.arange(400_000) + 0.5
    radius, angle = 2.2206 * np.sqrt(k / k.size), np.pi * (1 + np.sqrt(5)) * k
    out = np.hypot(2.0966 + radius * np.cos(angle), radius * np.sin(angle))
    shares = [np.mean(out < 3.0), np.mean((out >= 3.0) & (out < 4.05)), np.mean(out >= 4.05)]
    case = {"cornea": "hyperopic_ablation", "zone": "posterior", "eccentricity_deg": 35}
    names = ("treated_share", "transition_share", "untreated_share")
    assert [one(name, **case) for name in names] == pytest.approx(shares, abs=1e-3)
    assert one("zone_mixing", **case) == pytest.approx(1 - sum(s**2 for s in shares), abs=2e-3)


# --- shadow


def test_the_shadow_of_a_measured_opacity_by_hand() -> None:
    # worked example of the Navarro eye: 0.5 mm wide, 3 mm from the retina, pupil 4 mm
    case = {"size_mm": 0.5, "retina_gap_mm": 3.0, "pupil_mm": 4.0}
    assert one("shadow_contrast", **case) == pytest.approx(0.842, abs=5e-4)
    assert one("shadow_outer_deg", **case) == pytest.approx(4.27, abs=5e-3)


def test_the_distance_of_a_shadow_follows_from_the_depth_where_the_gap_is_missing() -> None:
    # posterior third: (1 - 5/6) x 16.3203 mm = 2.72005 mm
    by_zone = one("shadow_contrast", size_mm=0.4, zone="posterior", pupil_mm=6.0)
    by_gap = one("shadow_contrast", size_mm=0.4, retina_gap_mm=16.3203 / 6, pupil_mm=6.0)
    assert by_zone == pytest.approx(by_gap, rel=1e-12)


def test_a_measured_gap_counts_before_the_zone_in_a_shadow() -> None:
    with_zone = one("shadow_contrast", size_mm=0.4, retina_gap_mm=8.0, zone="posterior", pupil_mm=6.0)
    assert with_zone == one("shadow_contrast", size_mm=0.4, retina_gap_mm=8.0, pupil_mm=6.0)


def test_the_shadow_of_a_long_eye_by_hand() -> None:
    # axial 27 mm: exit pupil 27 - 3.680 = 23.320 mm from the retina, its width 0.919 x 5 = 4.595 mm;
    # 0.3 mm wide, 12 mm away: (0.3 x 23.320 / (4.595 x 12))^2 = 0.01610; lengths rounded, so 2e-5 is open
    case = {"size_mm": 0.3, "retina_gap_mm": 12.0, "pupil_mm": 5.0, "axial_mm": 27.0}
    assert one("shadow_contrast", **case) == pytest.approx(0.01610, abs=2e-5)


def test_a_gap_longer_than_the_schematic_vitreous_ends_at_the_lens() -> None:
    too_far = one("shadow_outer_deg", size_mm=0.5, retina_gap_mm=24.0, pupil_mm=4.0)
    at_lens = one("shadow_outer_deg", size_mm=0.5, retina_gap_mm=16.3203, pupil_mm=4.0)
    assert too_far == pytest.approx(at_lens, rel=1e-12)


def test_a_shadow_is_never_wider_than_half_the_field() -> None:
    assert one("shadow_outer_deg", size_mm=15.0, retina_gap_mm=16.0, pupil_mm=9.0) == 180.0


@pytest.mark.parametrize("missing", ["size_mm", "pupil_mm", "retina_gap_mm"])
def test_a_shadow_is_missing_where_any_part_is(missing: str) -> None:
    case = {"size_mm": 1.0, "pupil_mm": 5.0, "retina_gap_mm": 4.0} | {missing: "not_recorded"}
    assert np.isnan(one("shadow_contrast", **case))


# --- laws of all features


def invented(seed: int, size: int = 12) -> dict[str, np.ndarray]:
    """An invented table in which every value is allowed and a sixth is missing."""
    draw = np.random.default_rng(seed)
    columns: dict[str, np.ndarray] = {}
    for name, levels in LEVELS.items():
        columns[name] = draw.choice(np.array([*levels, None], dtype=object), size)
    for name, (low, high, _) in RANGES.items():
        values = draw.uniform(low, 6.0 if name.endswith("gap_mm") else high, size).astype(object)
        values[draw.random(size) < 1 / 6] = MISSING_CODES[0]
        columns[name] = values
    columns["axial_mm"] = np.where(draw.random(size) < 0.5, draw.uniform(20.0, 36.0, size), np.nan)
    return columns


def same(left: np.ndarray, right: np.ndarray) -> bool:
    return left.dtype == right.dtype and bool(pd.Series(left).equals(pd.Series(right)))


seeds = st.integers(0, 10**6)
few = settings(max_examples=25, deadline=None)  # a table holds 12 cases; a busy machine is no fault


@pytest.mark.parametrize("name", sorted(FEATURES))
@few
@given(seed=seeds)
def test_values_keep_to_levels_and_range(name: str, seed: int) -> None:
    entry, values = FEATURES[name], feature(invented(seed), name)
    if entry.kind == "category":
        assert values.dtype == object
        assert set(values.tolist()) <= {None, *entry.levels}
    else:
        assert values.dtype == np.float64
        assert entry.low is not None
        assert entry.high is not None
        known = values[~np.isnan(values)]
        assert np.all((known >= entry.low - 1e-12) & (known <= entry.high + 1e-12))


@pytest.mark.parametrize("name", sorted(FEATURES))
@few
@given(seed=seeds)
def test_only_the_columns_it_needs_matter(name: str, seed: int) -> None:
    columns = invented(seed)
    needed = {column: columns[column] for column in FEATURES[name].needs}
    assert same(feature(needed, name), feature(columns, name))


@pytest.mark.parametrize("name", sorted(FEATURES))
@few
@given(seed=seeds)
def test_a_case_replayed_alone_gives_what_it_gave_in_its_table(name: str, seed: int) -> None:
    columns, row = invented(seed), seed % 12
    alone = feature({column: values[row] for column, values in columns.items()}, name)
    assert same(alone, feature(columns, name)[[row]])


@pytest.mark.parametrize("name", sorted(FEATURES))
@few
@given(seed=seeds)
def test_a_data_frame_gives_what_its_columns_give(name: str, seed: int) -> None:
    columns = invented(seed)
    assert same(feature(pd.DataFrame(columns), name), feature(columns, name))


@pytest.mark.parametrize("name", sorted(FEATURES))
def test_deriving_leaves_the_table_as_it_was(name: str) -> None:
    columns = invented(7)
    before = {column: values.copy() for column, values in columns.items()}
    feature(columns, name)
    assert all(same(columns[column], before[column]) for column in columns)


def test_typed_data_frame_columns_are_read() -> None:
    frame = pd.DataFrame(
        {
            "opacity": pd.Categorical(["ring", None]),
            "age": pd.array([60, None], dtype="Int64"),
            "size_mm": pd.array([None, "2.5"], dtype="string"),
        }
    )
    read = features(frame, ["opacity", "age", "size_mm"])
    assert read["opacity"].tolist() == ["ring", None]
    assert read["age"].tolist() == pytest.approx([60.0, np.nan], nan_ok=True)
    assert read["size_mm"].tolist() == pytest.approx([np.nan, 2.5], nan_ok=True)


def test_features_are_filed_under_their_names_and_say_what_they_are() -> None:
    for name, entry in FEATURES.items():
        assert entry.name == name
        assert entry.meaning
        assert entry.plain
        assert bool(entry.levels) == (entry.kind == "category")


def test_deriving_features_needs_numpy_alone() -> None:
    code = (
        "import sys, numpy; before = set(sys.modules); from retreat.features import FEATURES, features;"
        "features({'opacity': 'ring', 'zone': 'middle'}, FEATURES);"
        "new = {name.split('.')[0] for name in set(sys.modules) - before};"
        "print(sorted(new - set(sys.stdlib_module_names) - {'retreat', 'numpy'}), 'difflib' in new)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[] False"
