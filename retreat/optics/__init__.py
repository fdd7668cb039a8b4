"""Simplified geometry of the eye and the beam: candidate covariates of a case, never advice on aiming.

Every function reduces an eye to circles, planes and straight rays, and says in its docstring what it leaves
out. The numbers serve to rank cases and to feed a model that finds out whether they matter. They are not fit
for planning a pulse, judging a safe distance or predicting what a patient will see.

Lengths are in millimetres, angles in degrees, powers in dioptres. All functions work on arrays; a missing
value (NaN) in gives a missing value out. A value outside the stated range raises ``ValueError``.
"""

from retreat.optics.beam import (
    Footprint,
    beam_diameter,
    cone_half_angle_in_vitreous,
    corneal_footprint,
    depth_fraction,
    vitreous_length,
)
from retreat.optics.eyes import (
    BENNETT_RABBETTS,
    LE_GRAND,
    NAVARRO,
    Paraxial,
    SchematicEye,
    paraxial,
)
from retreat.optics.shadows import Shadow, shadow
from retreat.optics.zones import (
    TRANSITION_RADIUS_MM,
    TREATED_RADIUS_MM,
    circle_overlap_area,
    zone_mixing,
    zone_shares,
)

__all__ = [
    "BENNETT_RABBETTS",
    "LE_GRAND",
    "NAVARRO",
    "TRANSITION_RADIUS_MM",
    "TREATED_RADIUS_MM",
    "Footprint",
    "Paraxial",
    "SchematicEye",
    "Shadow",
    "beam_diameter",
    "circle_overlap_area",
    "cone_half_angle_in_vitreous",
    "corneal_footprint",
    "depth_fraction",
    "paraxial",
    "shadow",
    "vitreous_length",
    "zone_mixing",
    "zone_shares",
]
