"""Rays of the cone and shadows of the invented clinic against closed forms and worked cases."""

from __future__ import annotations

import numpy as np
import pytest

from synthetic import beam, shadow


def one_cone(
    *, lens_gap=10.0, eccentricity=0.0, pupil=9.0, zone=4.8, off=(0.0, 0.0), rays=40_000
) -> beam.Footprint:
    return beam.footprint(
        lens_gap_mm=np.array([lens_gap]),
        eccentricity_deg=np.array([eccentricity]),
        pupil_mm=np.array([pupil]),
        zone_mm=np.array([zone]),
        outer_mm=8.1,
        off_centre_mm=np.array([off]),
        rng=np.random.default_rng(1),
        rays=rays,
    )


@pytest.mark.parametrize(("lens_gap", "zone"), [(8.0, 2.0), (10.0, 3.0), (14.0, 4.2), (16.0, 2.5)])
def test_on_the_axis_the_share_in_the_centre_is_that_of_the_closed_form(lens_gap, zone):
    # A ray with slope t meets a cornea of radius R at height a where t = a / (z - sag(a)), sag = R - sqrt(R^2 - a^2);
    # slopes are spread evenly over a disc, so the share inside is (t / t_max)^2. Cone: 8 degrees in air (O32, from
    # memory), index 1.336 (O03); R 7.72 mm (O01); back of the lens 7.60 mm (O02).
    a, z = zone / 2, 7.60 + lens_gap
    slope = a / (z - (7.72 - np.sqrt(7.72**2 - a**2)))
    widest = np.tan(np.arcsin(np.sin(np.radians(8)) / 1.336))
    share = min(1.0, (slope / widest) ** 2)
    error = np.sqrt(share * (1 - share) / 40_000)
    assert one_cone(lens_gap=lens_gap, zone=zone).centre[0] == pytest.approx(share, abs=4.5 * error + 1e-9)


@pytest.mark.parametrize(("pupil", "lens_gap"), [(2.0, 10.0), (2.4, 14.0), (6.0, 10.0)])
def test_on_the_axis_the_share_past_the_pupil_is_that_of_the_closed_form(pupil, lens_gap):
    # Exit pupil 3.68 mm behind the cornea, 0.919 of the entrance pupil (O13).
    widest = np.tan(np.arcsin(np.sin(np.radians(8)) / 1.336))
    share = min(1.0, (0.919 * pupil / 2 / (7.60 + lens_gap - 3.68) / widest) ** 2)
    error = np.sqrt(share * (1 - share) / 40_000)
    assert one_cone(lens_gap=lens_gap, pupil=pupil).through[0] == pytest.approx(share, abs=4.5 * error + 1e-9)


def test_an_eccentric_target_is_seen_off_the_middle_of_the_cornea():
    # The chief ray through the middle of the pupil meets the vertex plane at -y * 3.68 / (z - 3.68); a small
    # zone laid there catches more than one at the vertex. y = (z - 7.45) tan 20 degrees, z = 17.6.
    off = -(17.6 - 7.45) * np.tan(np.radians(20)) * 3.68 / (17.6 - 3.68)
    there, vertex = (
        one_cone(eccentricity=20.0, zone=2.5, off=(0.0, off)),
        one_cone(eccentricity=20.0, zone=2.5),
    )
    other_side = one_cone(eccentricity=20.0, zone=2.5, off=(0.0, -off))
    # 40,000 rays: a share is known to 0.0025.
    assert there.centre[0] > vertex.centre[0] + 0.02
    assert vertex.centre[0] > other_side.centre[0] + 0.1


def test_shares_of_the_zones_add_to_one_and_mixing_lies_between_0_and_1():
    rng, n = np.random.default_rng(2), 2500  # more cases than are followed at once
    spots = beam.footprint(
        lens_gap_mm=rng.uniform(2, 20, n),
        eccentricity_deg=rng.uniform(0, 45, n),
        pupil_mm=rng.uniform(3, 9, n),
        zone_mm=rng.uniform(3, 7, n),
        outer_mm=8.1,
        off_centre_mm=rng.normal(0, 0.5, (n, 2)),
        rng=rng,
    )
    shares = np.array([spots.centre, spots.transition, spots.periphery])
    np.testing.assert_allclose(shares.sum(axis=0), 1, atol=1e-12)
    assert shares.min() > -1e-12
    assert spots.centre.shape == (n,)
    assert spots.mixing.min() >= -1e-12
    assert spots.mixing.max() <= 1


def test_a_deeper_or_more_eccentric_target_mixes_more_zones():
    deeper = [one_cone(lens_gap=gap, zone=4.0).mixing[0] for gap in (8, 13, 18)]
    assert deeper[0] == 0  # 0.105 * 15.6 = 1.6 mm: all rays inside a centre of 2 mm
    assert 0.1 < deeper[1] < deeper[2] - 0.1
    aside = [one_cone(eccentricity=angle).mixing[0] for angle in (0, 15, 30)]
    assert aside[0] < aside[1] < aside[2] - 0.1


def test_the_threshold_passes_through_the_published_point():
    # O34: 18.5 waves raise the threshold 8.5 times, Vogel et al. 1999.
    np.testing.assert_allclose(beam.threshold(np.array([0.0, 18.5]), 8.5), [1.0, 8.5])


@pytest.mark.parametrize(
    ("row", "width", "gap", "pupil", "umbra", "dimming"),
    [
        # Worked shadows O51, Navarro eye: L = 20.24 mm, exit pupil 0.919 of the entrance pupil.
        ("O51a", 0.05, 3, 2, -0.261, 0.034),
        ("O51c", 0.5, 3, 4, -0.053, 0.842),
        ("O51d", 0.5, 8, 4, -1.576, 0.118),
        ("O51e", 1.5, 3, 2, 1.441, 1.0),
        ("O51i", 1.5, 12, 4, -1.670, 0.474),
        ("O51j", 2.0, 8, 2, 2.106, 1.0),
    ],
)
def test_shadows_agree_with_the_worked_cases(row, width, gap, pupil, umbra, dimming):
    exit_pupil = np.array(shadow.PUPIL_RATIO * pupil)
    place = (np.array(width), np.array(gap), np.array(20.24))
    # Printed to 3 decimals from a pupil ratio and a distance that are themselves rounded to 4 digits: 2e-3.
    assert shadow.umbra_mm(*place, exit_pupil) == pytest.approx(umbra, abs=2e-3), row
    assert shadow.dimming(*place, exit_pupil) == pytest.approx(dimming, abs=2e-3), row


def test_the_shadow_reaches_halfway_between_its_full_and_its_outer_width():
    width, gap, distance, pupil = (np.array(v) for v in (1.5, 3.0, 20.24, 0.919 * 4))
    outer = (width * distance + pupil * gap) / (distance - gap)  # O50; 2.401 mm in O51f
    assert outer == pytest.approx(2.401, abs=6e-4)
    middle = (shadow.umbra_mm(width, gap, distance, pupil) + outer) / 2
    assert shadow.extent_mm(width, gap, distance) == pytest.approx(middle)


def test_less_material_casts_less_shadow_and_fragments_cast_some():
    eye = {
        "kind": np.array([0, 1, 2, 3]),
        "size_mm": np.array([1.9, 3.0, 4.0, 5.5]),
        "vitreous_mm": np.full(4, 16.3),
        "age": np.full(4, 60.0),
        "eccentricity_deg": np.full(4, 8.0),
        "depth": np.full(4, 0.6),
    }
    left = np.array([1.0, 0.7, 0.36, 0.34, 0.1, 0.001])[:, None] * np.ones(4)
    loads = shadow.load(**eye, material=left, fragments=0 * left)
    assert np.all(np.diff(loads, axis=0) < 0)
    with_pieces = shadow.load(**eye, material=left, fragments=0 * left + 0.2)
    assert np.all(with_pieces > loads)


def test_fragments_far_from_the_retina_go_unseen():
    eye = {
        "kind": np.array([0]),
        "size_mm": np.array([1.9]),
        "vitreous_mm": np.array([16.3]),
        "age": np.array([60.0]),
        "eccentricity_deg": np.array([0.0]),
    }
    seen = [
        shadow.load(**eye, depth=np.array([depth]), material=np.array([1e-4]), fragments=np.array([0.2]))[0]
        for depth in (0.9, 0.6, 0.3)
    ]
    assert seen[0] > 5 * seen[1] > 5 * seen[2]
