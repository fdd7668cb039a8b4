"""How the footprint of the cone is shared between the three zones of an ablated cornea."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from retreat.optics._allowed import FloatArray, above_zero, within

# Half of the programmed optical zone of 6.0 mm (6.0 and 6.5 mm are common: Moshirfar et al., comparison of
# 6.0 and 6.5 mm optical zones in LASIK, abstract, year not seen). The zone that works is smaller: 6.0 mm
# programmed left about 4.8 mm (loss 1.2 +- 0.67 mm in 76 eyes; J Cataract Refract Surg, abstract, authors
# not seen).
TREATED_RADIUS_MM = 3.0
# Half of a transition zone of 8.1 +- 0.4 mm outer diameter (39 patients; Woodcock M et al. Cont Lens Anterior
# Eye 2013;36(5):259-264, doi 10.1016/j.clae.2013.02.010, abstract). It went with an optical zone of 4.5 mm,
# so that the pair of defaults is a mixture of two reports.
TRANSITION_RADIUS_MM = 4.05


def circle_overlap_area(radius_1: ArrayLike, radius_2: ArrayLike, distance: ArrayLike) -> FloatArray:
    """Area common to two circles whose centres lie a distance apart.

    The sum of the two segments cut off by the common chord, r^2 (a - sin a) / 2 each, where a is the angle
    the chord spans at the centre of its circle. The angle comes from the half-angle formula of the triangle
    of radii and distance, which stays exact for circles that nearly touch.

    Parameters
    ----------
    radius_1, radius_2 : array_like of float
        Radii, at least 0, in any one unit of length (up to 1000).
    distance : array_like of float
        Distance of the centres, at least 0, same unit; all three broadcast.

    Returns
    -------
    ndarray of float, broadcast shape
        Area in the square of that unit: exactly 0 for circles that are apart or touch from outside, exactly
        that of the smaller one for a circle inside the other or touching it from inside.

    Raises
    ------
    ValueError
        If a value is negative.

    References
    ----------
    .. [1] Weisstein EW. Circle-circle intersection. MathWorld (from memory; the formula is plane geometry).

    Examples
    --------
    >>> circle_overlap_area(1.0, 1.0, [0.0, 1.0, 2.0]).round(4).tolist()
    [3.1416, 1.2284, 0.0]
    """
    r1, r2, d = np.broadcast_arrays(
        within(radius_1, "radius_1", 0.0, 1000.0),
        within(radius_2, "radius_2", 0.0, 1000.0),
        within(distance, "distance", 0.0, 1000.0),
    )
    smaller = np.minimum(r1, r2)
    inside = d <= np.abs(r1 - r2)
    apart = d >= r1 + r2
    crossing = ~inside & ~apart
    # any proper triangle stands in where the circles do not cross, so that no warning is raised there
    a, b, c = (np.where(crossing, side, 1.0) for side in (r1, r2, d))
    lens = _segment(a, c, b) + _segment(b, c, a)
    area = np.where(inside, np.pi * smaller**2, np.where(apart, 0.0, lens))
    return np.where(np.isnan(r1 + r2 + d), np.nan, area)


def _segment(radius: FloatArray, distance: FloatArray, other: FloatArray) -> FloatArray:
    """Area between the chord and the arc of one of two crossing circles."""
    # the factors are differences of sides that can vanish by rounding, never by more
    beside = np.maximum(((other - radius) + distance) * (other + radius - distance), 0.0)
    around = np.maximum(((radius - other) + distance) * (radius + distance + other), 0.0)
    angle = 4.0 * np.arctan2(np.sqrt(beside), np.sqrt(around))
    area: FloatArray = 0.5 * radius**2 * (angle - np.sin(angle))
    return area


def zone_shares(
    footprint_radius: ArrayLike,
    offset: ArrayLike,
    treated_radius: ArrayLike = TREATED_RADIUS_MM,
    transition_radius: ArrayLike = TRANSITION_RADIUS_MM,
) -> FloatArray:
    """Shares of a round footprint on the treated centre, the ring of transition and the untouched periphery.

    The three zones are concentric circles; each share is an area of overlap over the area of the footprint.

    Parameters
    ----------
    footprint_radius : array_like of float
        Radius of the footprint, above 0 to 50 mm.
    offset : array_like of float
        Distance of its centre from the centre of the ablation, 0 to 50 mm.
    treated_radius : array_like of float
        Radius of the treated centre, 0 to 10 mm.
    transition_radius : array_like of float
        Outer radius of the transition, not below `treated_radius`, to 10 mm. All four broadcast.

    Returns
    -------
    ndarray of float, shape (..., 3)
        Treated, transition, untreated; each 0 to 1, summing to 1.

    Raises
    ------
    ValueError
        If a value is out of range, or a transition ends inside its treated centre.

    Notes
    -----
    The periphery has no outer edge here, and the borders are sharp; on a real cornea they are blended.

    Examples
    --------
    >>> zone_shares(1.5, [0.0, 3.0, 9.0]).round(3).tolist()
    [[1.0, 0.0, 0.0], [0.447, 0.441, 0.112], [0.0, 0.0, 1.0]]
    """
    footprint = above_zero(footprint_radius, "footprint_radius", 50.0, "mm")
    treated_edge = within(treated_radius, "treated_radius", 0.0, 10.0, "mm")
    outer_edge = within(transition_radius, "transition_radius", 0.0, 10.0, "mm")
    within(offset, "offset", 0.0, 50.0, "mm")
    if np.any(outer_edge < treated_edge):
        raise ValueError("transition_radius: must not be below treated_radius")
    area = np.pi * footprint**2
    treated = circle_overlap_area(footprint, treated_edge, offset) / area
    touched = np.maximum(circle_overlap_area(footprint, outer_edge, offset) / area, treated)
    shares = np.stack(np.broadcast_arrays(treated, touched - treated, 1.0 - touched), axis=-1)
    return np.asarray(np.clip(shares, 0.0, 1.0), dtype=np.float64)  # (..., zones)


def zone_mixing(shares: ArrayLike) -> FloatArray:
    """How mixed the zones under a footprint are: the chance that two of its rays cross different zones.

    mixing = 1 - sum of squared shares (Simpson 1949 [1]_): 0 when the cone crosses one zone only, 2/3 when it
    crosses three zones equally. Chosen before the entropy because its slope is finite where a share vanishes:
    a footprint that grazes a border by a hair counts for a hair, whereas the entropy would jump.

    Parameters
    ----------
    shares : array_like of float, shape (..., zones)
        Each 0 to 1; each last axis sums to 1.

    Returns
    -------
    ndarray of float, shape (...)
        0 to 1 - 1 / zones.

    Raises
    ------
    ValueError
        If a share is outside 0 to 1 or a last axis does not sum to 1 within 1e-6.

    References
    ----------
    .. [1] Simpson EH. Measurement of diversity. Nature 1949;163:688 (from memory).

    Examples
    --------
    >>> zone_mixing([[1.0, 0.0, 0.0], [0.5, 0.5, 0.0]]).tolist()
    [0.0, 0.5]
    """
    parts = within(shares, "shares", 0.0, 1.0)
    if np.any(np.abs(parts.sum(axis=-1) - 1.0) > 1e-6):
        raise ValueError("shares: each last axis must sum to 1")
    return np.asarray(1.0 - np.sum(parts**2, axis=-1), dtype=np.float64)
