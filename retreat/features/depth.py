"""Depth of the opacity and the geometry that follows from it: zones of the cornea, shadow on the retina."""

from __future__ import annotations

import numpy as np

from retreat.errors import TableError
from retreat.features.columns import Columns, FloatArray, TextArray, fault, is_none, read
from retreat.optics import (
    NAVARRO,
    Shadow,
    corneal_footprint,
    depth_fraction,
    shadow,
    vitreous_length,
    zone_shares,
)

# Gaps are read off a scale at the slit lamp and the lens back is that of a model eye, so that gaps may exceed
# the vitreous by this much before they are refused [our own choice].
GAP_TOLERANCE_MM = 2.5
ZONE_DEPTH = {"anterior": 1 / 6, "middle": 1 / 2, "posterior": 5 / 6}  # the middles of three equal parts
DEPTH_NEEDS = ("lens_gap_mm", "retina_gap_mm", "axial_mm", "zone")
ZONE_NEEDS = ("cornea", "eccentricity_deg", *DEPTH_NEEDS)
SHADOW_NEEDS = ("size_mm", "pupil_mm", *DEPTH_NEEDS)


def depth(columns: Columns) -> tuple[FloatArray, TextArray]:
    """Depth and its source: both gaps, else one gap and the axial length, else the middle of the zone."""
    lens_gap, retina_gap, axial, zone = read(columns, *DEPTH_NEEDS)
    vitreous = vitreous_length(axial)
    _refuse_gaps(lens_gap, retina_gap, vitreous)
    found = np.array([ZONE_DEPTH.get(word, np.nan) for word in zone.tolist()], dtype=np.float64)
    source = np.where(np.isnan(found), "missing", "zone").astype(object)
    one_gap = np.where(np.isnan(lens_gap), 1.0 - retina_gap / vitreous, lens_gap / vitreous)
    both_gaps = depth_fraction(lens_gap, retina_gap)
    for name, better in (("one_gap", np.clip(one_gap, 0.0, 1.0)), ("measured", both_gaps)):
        known = ~np.isnan(better)
        found[known], source[known] = better[known], name
    return found, source


def _refuse_gaps(lens_gap: FloatArray, retina_gap: FloatArray, vitreous: FloatArray) -> None:
    """Refuse gaps that do not fit into the vitreous, and two gaps of nothing."""
    together = np.nan_to_num(lens_gap) + np.nan_to_num(retina_gap)
    faults = []
    for i in np.flatnonzero(together > vitreous + GAP_TOLERANCE_MM).tolist():
        column = "retina_gap_mm" if np.isnan(lens_gap[i]) else "lens_gap_mm"
        allowed = f"gaps of {vitreous[i]:.1f} mm together, the axial length less the back of the lens"
        faults.append(fault(column, i, float(together[i]), allowed, "correct the gaps or axial_mm"))
    for i in np.flatnonzero(lens_gap + retina_gap == 0.0).tolist():
        faults.append(fault("lens_gap_mm", i, 0.0, "above 0 mm where retina_gap_mm is 0", "correct one"))
    if faults:
        raise TableError(faults)


def zones(columns: Columns) -> FloatArray:
    """Shares of the footprint on treated centre, transition and untreated cornea, shape (cases, 3).

    A hyperopic ablation is given the circles of a myopic one. Incisions leave no such zones, so that an
    incised cornea counts as untreated here; what they do is left to the feature `cornea`.
    """
    cornea, eccentricity, *_ = read(columns, *ZONE_NEEDS)
    footprint = corneal_footprint(depth(columns)[0], eccentricity)
    shares = zone_shares(footprint.radius_mm, footprint.offset_mm)
    shares[np.isin(cornea, ("none", "incisional"))] = (0.0, 0.0, 1.0)
    shares[is_none(cornea)] = np.nan
    return shares


def shadow_of(columns: Columns) -> Shadow:
    """Shadow of a disc as wide as the opacity is long, at the opacity's distance from the retina.

    That distance is the measured gap, else it follows from the depth. Without an axial length the eye is
    taken as long as the schematic one: that scales the shadow, and changes no depth.
    """
    size, pupil, _, retina_gap, axial, _ = read(columns, *SHADOW_NEEDS)
    by_depth, _ = depth(columns)
    axial = np.where(np.isnan(axial), NAVARRO.axial_mm, axial)
    vitreous = vitreous_length(axial)
    gap = np.where(np.isnan(retina_gap), (1.0 - by_depth) * vitreous, np.minimum(retina_gap, vitreous))
    return shadow(size, gap, pupil, axial_mm=axial)
