"""How much of a pulse arrives: rays of the converging cone followed from the target out through the cornea.

Simplified geometry for an invented clinic, never advice on aiming. Straight rays in one medium (a contact
lens takes away most of the front surface, O44), sampled at random; a central ablation of the cornea leaves a
treated centre, a ring of transition and an untouched periphery (O40-O42), and the more of them one cone
mixes, the poorer the focus. Cone of 16 degrees in air, 6.0 degrees to each side in the vitreous (O32, from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic import shadow

TAN_HALF_CONE = np.tan(np.arcsin(np.sin(np.radians(8.0)) / 1.336))  # O32 and Snell's law with the index O03
CORNEA_MM = 7.72  # O01: radius of the front of the cornea
NODAL_MM = 7.45  # O13: nodal point behind the front of the cornea, 23.92 - 16.47
BLOCK = 1000  # cones followed at once, to bound memory


@dataclass(frozen=True)
class Footprint:
    """Where the rays of each cone cross the cornea; arrays of shape (cases,), shares of the rays 0 to 1."""

    centre: np.ndarray
    transition: np.ndarray
    periphery: np.ndarray
    through: np.ndarray  # share that passes the dilated pupil

    @property
    def mixing(self) -> np.ndarray:
        """0 where all rays cross one zone, 1 where three zones share them equally."""
        return 1.5 * (1 - self.centre**2 - self.transition**2 - self.periphery**2)


def footprint(
    *,
    lens_gap_mm: np.ndarray,
    eccentricity_deg: np.ndarray,
    pupil_mm: np.ndarray,
    zone_mm: np.ndarray,
    outer_mm: float,
    off_centre_mm: np.ndarray,
    rng: np.random.Generator,
    rays: int = 96,
) -> Footprint:
    """Return the footprint of the cone for each target, by sampled rays.

    Parameters
    ----------
    lens_gap_mm, eccentricity_deg, pupil_mm : array of shape (cases,)
        Distance of the target behind the lens, mm; its angle from the line of sight, degrees; the dilated
        pupil, mm.
    zone_mm : array of shape (cases,)
        Diameter of the treated centre, mm.
    outer_mm : float
        Diameter of the outer edge of the ring of transition, mm.
    off_centre_mm : array of shape (cases, 2)
        Where the middle of the treated centre lies on the cornea, across and along the meridian of the
        target, mm.
    rng : numpy.random.Generator
    rays : int
        Rays for each cone.

    Returns
    -------
    Footprint
    """
    parts = []
    for first in range(0, len(lens_gap_mm), BLOCK):
        rows = slice(first, first + BLOCK)
        x, y, passes = _crossings(lens_gap_mm[rows], eccentricity_deg[rows], pupil_mm[rows], rng, rays)
        distance = np.hypot(x - off_centre_mm[rows, :1], y - off_centre_mm[rows, 1:])
        centre = distance <= zone_mm[rows, None] / 2
        outside = distance > outer_mm / 2
        counted = np.maximum(passes.sum(axis=1), 1)
        in_centre = (centre & passes).sum(axis=1) / counted
        in_periphery = (outside & passes).sum(axis=1) / counted
        parts.append((in_centre, 1 - in_centre - in_periphery, in_periphery, passes.mean(axis=1)))
    return Footprint(*(np.concatenate(share) for share in zip(*parts, strict=True)))


def _crossings(
    lens_gap_mm: np.ndarray,
    eccentricity_deg: np.ndarray,
    pupil_mm: np.ndarray,
    rng: np.random.Generator,
    rays: int,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return where rays cross the cornea, mm, and whether they pass the pupil, each (cases, rays)."""
    z = shadow.LENS_BACK_MM + lens_gap_mm[:, None]
    y = (z - NODAL_MM) * np.tan(np.radians(eccentricity_deg))[:, None]
    # Axis of the cone from the target through the middle of the pupil, and two directions across it.
    run = z - shadow.EXIT_PUPIL_MM
    length = np.hypot(run, y)
    axis_y, axis_z = -y / length, -run / length
    radius = TAN_HALF_CONE * np.sqrt(rng.random((len(z), rays)))  # even over the round cross-section
    angle = 2 * np.pi * rng.random((len(z), rays))
    direction_x, along = radius * np.cos(angle), radius * np.sin(angle)
    direction_y, direction_z = axis_y - along * axis_z, axis_z + along * axis_y

    reach = -run / direction_z
    passes = (
        np.hypot(direction_x * reach, y + direction_y * reach) <= shadow.PUPIL_RATIO * pupil_mm[:, None] / 2
    )
    # Crossing of the ray with the sphere of the cornea, centred CORNEA_MM behind its front: the far root.
    square = direction_x**2 + direction_y**2 + direction_z**2
    half = y * direction_y + (z - CORNEA_MM) * direction_z
    inside = y**2 + (z - CORNEA_MM) ** 2 - CORNEA_MM**2
    reach = (-half + np.sqrt(np.maximum(half**2 - square * inside, 0))) / square
    return direction_x * reach, y + direction_y * reach, passes


def threshold(waves: np.ndarray, threshold_18_waves: float) -> np.ndarray:
    """Return how many times more energy breakdown needs at an aberration of so many waves (O34).

    The published point is 18.5 waves; the straight line from 1 at no aberration is invented.
    """
    return 1 + (threshold_18_waves - 1) * waves / 18.5
