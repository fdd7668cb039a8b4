"""Geometry of eye and beam against published values, arithmetic by hand and brute force."""

from __future__ import annotations

import csv
import math
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from retreat import optics
from retreat.optics import (
    BENNETT_RABBETTS,
    LE_GRAND,
    NAVARRO,
    beam_diameter,
    circle_overlap_area,
    cone_half_angle_in_vitreous,
    corneal_footprint,
    depth_fraction,
    paraxial,
    shadow,
    vitreous_length,
    zone_mixing,
    zone_shares,
)

DATA = Path(__file__).parent / "external" / "data"
# Indices of the Navarro eye at 543 nm (Escudero-Sanz and Navarro 1999), read in visisipy/models/materials.py
NAVARRO_543 = replace(NAVARRO, name="Navarro, 543 nm", indices=(1.0, 1.3777, 1.3391, 1.4222, 1.3377))
EYES = {
    "NAVARRO": NAVARRO,
    "NAVARRO_543": NAVARRO_543,
    "LE_GRAND": LE_GRAND,
    "BENNETT_RABBETTS": BENNETT_RABBETTS,
}

lengths = st.floats(0.01, 20.0)
steady = settings(deadline=None)  # a busy machine is no fault


def table(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def as_printed(text: str) -> float:
    """Half a unit of the last printed digit, with room for the binary rounding of that half."""
    return 0.51 * 10.0 ** -len(text.split(".")[1])


# --- schematic eyes


@pytest.mark.parametrize("row", table("optics_paraxial.csv"), ids=lambda r: f"{r['eye']} {r['quantity']}")
def test_the_paraxial_trace_gives_the_reference_values(row: dict[str, str]) -> None:
    eye = EYES[row["eye"]]
    points = paraxial(eye)
    found = {**vars(eye), **vars(points), "front_focal_mm": 1000.0 / points.power_d}
    found |= {"lens_back_mm": eye.lens_back_mm, "vitreous_mm": eye.vitreous_mm}
    assert found[row["quantity"]] == pytest.approx(float(row["value"]), abs=float(row["tolerance"]))


def test_the_power_of_a_cornea_and_a_lens_adds_up_by_hand() -> None:
    cornea = 336.0 / 7.8  # D, one surface
    front, back = 86.0 / 11.0, 86.0 / 6.47515  # D, surfaces of the lens
    lens = front + back - 3.7e-3 / 1.422 * front * back
    first_principal = 1.336 * (3.7e-3 / 1.422) * back / lens  # of the lens, behind its front, m
    apart = (3.6e-3 + first_principal) / 1.336
    assert paraxial(BENNETT_RABBETTS).power_d == pytest.approx(
        cornea + lens - apart * cornea * lens, rel=1e-12
    )


@pytest.mark.parametrize("row", table("optics_anatomy.csv"), ids=lambda r: f"{r['quantity']} {r['value']}")
def test_the_schematic_eye_agrees_with_anatomy(row: dict[str, str]) -> None:
    found = {
        "mm_per_degree": paraxial(NAVARRO).mm_per_degree,
        "vitreous_of_24.1_mm": float(vitreous_length(24.1)),
    }
    assert found[row["quantity"]] == pytest.approx(float(row["value"]), abs=float(row["tolerance"]))


# --- position and beam


def test_the_vitreous_is_the_axial_length_less_the_lens_back() -> None:
    assert vitreous_length([23.92, 18.0, np.nan]) == pytest.approx([16.32, 10.4, np.nan], nan_ok=True)


def test_depth_is_the_lens_gap_over_both_gaps() -> None:
    assert depth_fraction([3.0, 0.0, 8.0], [9.0, 5.0, 0.0]).tolist() == [0.25, 0.0, 1.0]


def test_two_gaps_of_nothing_have_no_depth() -> None:
    with pytest.raises(ValueError, match="both are 0"):
        depth_fraction(0.0, 0.0)


def test_the_cone_narrows_by_the_law_of_snell() -> None:
    # sin 8 degrees = 0.139173101; over 1.336 x = 0.104171483; arc sine by its series
    # x + x^3 / 6 + 3 x^5 / 40 + 15 x^7 / 336 = 0.104360815 radians = 5.979434 degrees
    assert float(cone_half_angle_in_vitreous(16.0)) == pytest.approx(5.979434, abs=1e-6)


@pytest.mark.parametrize("row", table("optics_beam.csv"), ids=lambda r: f"{r['distance_mm']} mm")
def test_the_beam_widens_from_its_focus(row: dict[str, str]) -> None:
    expected = row["diameter_mm"]
    assert float(beam_diameter(float(row["distance_mm"]))) == pytest.approx(
        float(expected), abs=as_printed(expected)
    )


def test_the_footprint_of_a_central_target_by_hand() -> None:
    # half way down the vitreous: 7.6 + 16.3203 / 2 = 15.76015 mm behind the cornea;
    # tan of the half angle: 0.104171483 / sqrt(1 - 0.104171483^2) = 0.104741344
    footprint = corneal_footprint(0.5, 0.0)
    assert float(footprint.radius_mm) == pytest.approx(15.76015 * 0.104741344, abs=1e-6)
    assert float(footprint.offset_mm) == 0.0


def test_the_footprint_of_an_eccentric_target_is_shifted_by_hand() -> None:
    # tan 20 degrees = 0.363970; times 16.47 / 20.24 (nodal point and exit pupil to retina) times 3.68 mm
    # (exit pupil behind the cornea) = 1.0899; those lengths are rounded to 0.005 mm, so 0.002 mm is open
    footprint = corneal_footprint([0.1, 0.9], 20.0)
    assert footprint.offset_mm == pytest.approx([1.0899, 1.0899], abs=2e-3)


def test_the_chief_ray_meets_the_retina_where_the_nodal_ray_does() -> None:
    points = paraxial(NAVARRO)
    slope = float(corneal_footprint(1.0, 25.0).offset_mm) / points.exit_pupil_from_cornea_mm
    by_nodal_point = points.nodal_to_retina_mm * math.tan(math.radians(25.0))
    assert slope * points.exit_pupil_to_retina_mm == pytest.approx(by_nodal_point, rel=1e-12)


def test_a_deeper_target_has_a_wider_footprint() -> None:
    assert np.all(np.diff(corneal_footprint(np.linspace(0, 1, 50), 10.0).radius_mm) > 0)


# --- zones


def test_two_unit_circles_one_apart_overlap_by_the_textbook_area() -> None:
    assert float(circle_overlap_area(1, 1, 1)) == pytest.approx(2 * math.pi / 3 - math.sqrt(3) / 2, rel=1e-14)


def test_circles_that_cross_at_a_right_angle_overlap_by_hand() -> None:
    # radii 3 and 4, distance 5: the kite between centres and crossings has the area 3 x 4
    by_hand = 9 * math.acos(3 / 5) + 16 * math.acos(4 / 5) - 12
    assert float(circle_overlap_area(3, 4, 5)) == pytest.approx(by_hand, rel=1e-14)


def test_circles_that_nearly_touch_overlap_by_the_leading_term() -> None:
    # unit circles a gap g short of touching: half angle sqrt(g), area 4/3 g^1.5; g is stored to 2e-7 of it
    assert float(circle_overlap_area(1, 1, 2 - 1e-9)) == pytest.approx(4 / 3 * 1e-9**1.5, rel=1e-6)


@steady
@given(r1=lengths, r2=lengths, part=st.floats(0.0, 1.2))
def test_the_overlap_equals_the_sum_of_its_chords(r1: float, r2: float, part: float) -> None:
    d = part * (r1 + r2)
    edges = np.linspace(max(-r1, d - r2), max(min(r1, d + r2), max(-r1, d - r2)), 100_001)
    x = (edges[1:] + edges[:-1]) / 2
    half = np.minimum(np.sqrt(np.maximum(r1**2 - x**2, 0)), np.sqrt(np.maximum(r2**2 - (x - d) ** 2, 0)))
    summed = float(np.sum(2 * half * np.diff(edges)))
    # the midpoint rule errs by about (step)^1.5 at the vertical ends of a circle
    assert float(circle_overlap_area(r1, r2, d)) == pytest.approx(summed, abs=1e-6 * min(r1, r2) ** 2)


@steady
@given(r1=lengths, r2=lengths, d=st.floats(0.0, 50.0), scale=st.floats(0.1, 10.0))
def test_the_overlap_is_symmetric_bounded_and_scales_as_an_area(
    r1: float, r2: float, d: float, scale: float
) -> None:
    area = float(circle_overlap_area(r1, r2, d))
    smaller = math.pi * min(r1, r2) ** 2
    assert float(circle_overlap_area(r2, r1, d)) == pytest.approx(area, abs=1e-12 * smaller)
    assert 0.0 <= area <= smaller * (1 + 1e-12)
    scaled = float(circle_overlap_area(scale * r1, scale * r2, scale * d))
    # near a touching point the rounding of the scaled lengths, 1e-16, enters under a square root
    assert scaled == pytest.approx(scale**2 * area, abs=1e-7 * scale**2 * smaller)


@steady
@given(r1=lengths, r2=lengths)
def test_the_overlap_falls_as_the_circles_part(r1: float, r2: float) -> None:
    areas = circle_overlap_area(r1, r2, np.linspace(0.0, 1.1 * (r1 + r2), 200))
    assert np.all(np.diff(areas) <= 1e-12 * min(r1, r2) ** 2)


@pytest.mark.parametrize(
    ("radius", "offset", "expected"),
    [
        (1.0, 0.5, [1.0, 0.0, 0.0]),  # inside the treated centre
        (1.0, 2.0, [1.0, 0.0, 0.0]),  # touching its edge from inside
        (0.5, 3.5, [0.0, 1.0, 0.0]),  # inside the ring, touching the treated centre from outside
        (1.0, 6.0, [0.0, 0.0, 1.0]),  # beyond the ring
        (0.75, 4.75, [0.0, 0.0, 1.0]),  # touching the ring of outer radius 4 from outside
        (6.0, 0.0, [9 / 36, 7 / 36, 20 / 36]),  # concentric, wider than both
        (3.5, 0.0, [9 / 12.25, 3.25 / 12.25, 0.0]),  # concentric, its edge in the ring
    ],
)
def test_shares_are_exact_where_no_borders_cross(radius: float, offset: float, expected: list[float]) -> None:
    assert zone_shares(radius, offset, 3.0, 4.0).tolist() == pytest.approx(expected, abs=2e-16)


def test_shares_equal_a_count_of_rays() -> None:
    count = 200_000
    k = np.arange(count) + 0.5
    radius, angle = np.sqrt(k / count), math.pi * (1 + math.sqrt(5)) * k  # evenly spread over a unit disc
    for footprint, offset in ((1.5, 3.0), (2.2, 2.5), (2.5, 3.6), (1.1, 4.4)):
        out = np.hypot(offset + footprint * radius * np.cos(angle), footprint * radius * np.sin(angle))
        counted = [np.mean(out < 3.0), np.mean((out >= 3.0) & (out < 4.05)), np.mean(out >= 4.05)]
        # a sunflower of this many points misplaces some hundred at a border
        assert zone_shares(footprint, offset) == pytest.approx(counted, abs=1e-3)


@steady
@given(
    footprint=st.floats(0.01, 10.0),
    offset=st.floats(0.0, 20.0),
    treated=st.floats(0.0, 5.0),
    width=st.floats(0.0, 5.0),
)
def test_shares_are_shares(footprint: float, offset: float, treated: float, width: float) -> None:
    shares = zone_shares(footprint, offset, treated, treated + width)
    assert np.all((shares >= 0.0) & (shares <= 1.0))
    assert float(shares.sum()) == pytest.approx(1.0, abs=1e-12)
    assert 0.0 <= float(zone_mixing(shares)) <= 2 / 3 + 1e-12


def test_a_transition_cannot_end_inside_the_treated_centre() -> None:
    with pytest.raises(ValueError, match="transition_radius"):
        zone_shares(1.0, 0.0, 3.0, 2.9)


def test_mixing_is_none_in_one_zone_and_two_thirds_in_three_equal_ones() -> None:
    mixing = zone_mixing([[0.0, 1.0, 0.0], [1 / 3, 1 / 3, 1 / 3], [0.6, 0.3, 0.1]])
    assert mixing == pytest.approx([0.0, 2 / 3, 1 - 0.36 - 0.09 - 0.01], abs=1e-15)


def test_shares_that_do_not_sum_to_one_have_no_mixing() -> None:
    with pytest.raises(ValueError, match="sum to 1"):
        zone_mixing([0.5, 0.2, 0.2])


# --- shadows


@pytest.mark.parametrize(
    "row", table("optics_shadow.csv"), ids=lambda r: f"{r['width_mm']} {r['retina_gap_mm']} {r['pupil_mm']}"
)
def test_the_shadow_equals_the_worked_example(row: dict[str, str]) -> None:
    found = shadow(float(row["width_mm"]), float(row["retina_gap_mm"]), float(row["pupil_mm"]))
    for quantity in ("umbra_mm", "umbra_deg", "outer_mm", "outer_deg", "contrast", "umbra_reach_mm"):
        expected = row[quantity]
        assert float(getattr(found, quantity)) == pytest.approx(float(expected), abs=as_printed(expected)), (
            quantity
        )


def test_a_shadow_without_umbra_is_grey() -> None:
    grey, full = shadow(0.5, [8.0, 2.0], 4.0).umbra_mm < 0, shadow(0.5, [8.0, 2.0], 4.0).contrast < 1
    assert grey.tolist() == full.tolist() == [True, False]


@steady
@given(width=st.floats(0.1, 1.5), pupil=st.floats(2.0, 8.0))
def test_the_umbra_ends_at_its_reach(width: float, pupil: float) -> None:
    reach = float(shadow(width, 1.0, pupil).umbra_reach_mm)
    if reach < NAVARRO.vitreous_mm:
        assert float(shadow(width, reach, pupil).umbra_mm) == pytest.approx(0.0, abs=1e-12)


def test_a_disc_on_the_retina_casts_a_shadow_of_its_own_size() -> None:
    on_retina = shadow(1.5, 0.0, 6.0)
    widths = float(on_retina.umbra_mm), float(on_retina.outer_mm)
    assert widths == pytest.approx((1.5, 1.5), rel=1e-15)
    assert float(on_retina.contrast) == 1.0


@steady
@given(width=st.floats(0.1, 3.0), gap=st.floats(0.1, 16.0))
def test_a_wider_pupil_gives_a_fainter_and_wider_shadow(width: float, gap: float) -> None:
    shadows = shadow(width, gap, np.linspace(2.0, 8.0, 20))
    assert np.all(np.diff(shadows.contrast) <= 0.0)
    assert np.all(np.diff(shadows.outer_mm) > 0.0)


def test_a_longer_eye_is_the_same_eye_with_a_longer_vitreous() -> None:
    longer = replace(NAVARRO, thicknesses_mm=(0.55, 3.05, 4.0, 19.4))
    by_eye, by_length = shadow(1.0, 15.0, 6.0, eye=longer), shadow(1.0, 15.0, 6.0, axial_mm=27.0)
    for quantity in vars(by_eye):
        assert float(getattr(by_length, quantity)) == pytest.approx(
            float(getattr(by_eye, quantity)), rel=1e-12
        )


# --- all


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (
            lambda: vitreous_length([24.0, 17.0, 40.0]),
            "axial_mm: 2 of 3 values outside 18 to 36 mm, the first is 17",
        ),
        (lambda: depth_fraction(-1.0, 2.0), "lens_gap_mm"),
        (lambda: depth_fraction(1.0, 37.0), "retina_gap_mm"),
        (lambda: cone_half_angle_in_vitreous(0.0), "full_angle_air_deg: must be above 0"),
        (lambda: cone_half_angle_in_vitreous(16.0, index=0.9), "index"),
        (lambda: beam_diameter(-0.1), "distance_from_focus_mm"),
        (lambda: corneal_footprint(1.1, 0.0), "depth"),
        (lambda: corneal_footprint(0.5, 61.0), "eccentricity_deg"),
        (lambda: circle_overlap_area(1.0, -1.0, 0.0), "radius_2"),
        (lambda: zone_shares(0.0, 1.0), "footprint_radius"),
        (lambda: zone_shares(1.0, -1.0), "offset"),
        (lambda: shadow(0.0, 1.0, 4.0), "width_mm"),
        (lambda: shadow(1.0, 17.0, 4.0), "retina_gap_mm: longer than the vitreous"),
        (lambda: shadow(1.0, 3.0, 11.0), "pupil_mm"),
    ],
)
def test_a_value_out_of_range_is_named(call, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()


def test_a_missing_value_stays_missing_and_alone() -> None:
    gaps = np.array([np.nan, 4.0])
    footprint = corneal_footprint(depth_fraction(gaps, 12.0), 30.0)
    mixing = zone_mixing(zone_shares(footprint.radius_mm, footprint.offset_mm))
    for values in (mixing, shadow(1.0, gaps, 5.0).contrast, circle_overlap_area(1.0, gaps, 4.0)):
        assert np.isnan(values).tolist() == [True, False]


def test_the_geometry_needs_numpy_alone() -> None:
    code = (
        "import sys, numpy; before = set(sys.modules); import retreat.optics;"
        "new = {name.split('.')[0] for name in set(sys.modules) - before};"
        "print(sorted(new - set(sys.stdlib_module_names) - {'retreat', 'numpy'}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_geometry_says_that_it_is_no_advice_on_aiming() -> None:
    assert "never advice on aiming" in (optics.__doc__ or "")
