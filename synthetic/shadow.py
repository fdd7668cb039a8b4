"""The shadow an opaque disc in the vitreous casts on the retina, by similar triangles.

Row O50 of the published values: a disc of width w at distance d from the retina, lit through an exit pupil of
diameter p at distance L from the retina. Constants are those of the schematic eye of Escudero-Sanz and
Navarro 1999 (O02, O13). How dark each kind of opacity is, and how fragments add up, is invented.
"""

from __future__ import annotations

import numpy as np

LENS_BACK_MM = 7.60  # O02: back of the lens behind the front of the cornea
EXIT_PUPIL_MM = 3.68  # O13: exit pupil behind the front of the cornea
PUPIL_RATIO = 0.919  # O13: exit pupil diameter over entrance pupil diameter
MM_PER_DEGREE = 0.2874  # O13: distance on the retina for one degree

# Invented: share of light a fresh opacity stops (ring, strand, cloud, sheet), and its width over its length.
DARKNESS = np.array([0.85, 0.70, 0.45, 0.16])
WIDTH = np.array([0.60, 0.12, 0.45, 0.60])
WIDTH_POWER = np.array([0.35, 0.5, 0.5, 0.5])  # invented: how the width follows the material left
BREAKS_AT = (
    0.35  # common practice: a ring is whole until half to three quarters is gone; the point is invented
)
FRAGMENT_MM = 0.30  # invented
FRAGMENT_WEIGHT = 4.0  # invented


def extent_mm(width_mm: np.ndarray, retina_gap_mm: np.ndarray, exit_distance_mm: np.ndarray) -> np.ndarray:
    """Return the width of the shadow on the retina, mm, halfway into its soft edge."""
    return width_mm * exit_distance_mm / (exit_distance_mm - retina_gap_mm)


def umbra_mm(
    width_mm: np.ndarray, retina_gap_mm: np.ndarray, exit_distance_mm: np.ndarray, exit_pupil_mm: np.ndarray
) -> np.ndarray:
    """Return the width of the full shadow, mm; negative where the full shadow ends before the retina."""
    return (width_mm * exit_distance_mm - exit_pupil_mm * retina_gap_mm) / (exit_distance_mm - retina_gap_mm)


def dimming(
    width_mm: np.ndarray, retina_gap_mm: np.ndarray, exit_distance_mm: np.ndarray, exit_pupil_mm: np.ndarray
) -> np.ndarray:
    """Return the share of light missing in the middle of the shadow of an opaque disc, 0 to 1."""
    seen = width_mm * exit_distance_mm / (exit_pupil_mm * np.maximum(retina_gap_mm, 1e-6))
    return np.minimum(1.0, seen * seen)


def day_pupil_mm(age: np.ndarray) -> np.ndarray:
    """Return the undilated pupil in daylight, mm, by age (O23, an encyclopaedia table)."""
    return np.interp(age, [50, 60, 70, 80], [3.5, 3.1, 2.7, 2.3])


def load(
    *,
    kind: np.ndarray,
    size_mm: np.ndarray,
    vitreous_mm: np.ndarray,
    age: np.ndarray,
    eccentricity_deg: np.ndarray,
    depth: np.ndarray,
    material: np.ndarray,
    fragments: np.ndarray,
) -> np.ndarray:
    """Return how much shadow an eye sees: dimming times reach, in arbitrary units.

    `depth`, `material` and `fragments` may have more leading axes than the features of the eyes. Material is
    the share of the opacity left, fragments the share of it drifting where it is seen.
    """
    exit_distance = vitreous_mm + LENS_BACK_MM - EXIT_PUPIL_MM
    pupil = PUPIL_RATIO * day_pupil_mm(age)
    retina_gap = (1 - depth) * vitreous_mm
    width = WIDTH[kind] * size_mm * material ** WIDTH_POWER[kind]
    width = width * np.where((kind == 0) & (material < BREAKS_AT), 0.6, 1.0)
    dark = DARKNESS[kind] * np.sqrt(material)
    reach = (extent_mm(width, retina_gap, exit_distance) / MM_PER_DEGREE) ** 0.6
    whole = dark * dimming(width, retina_gap, exit_distance, pupil) * reach
    pieces = (
        FRAGMENT_WEIGHT
        * fragments
        * DARKNESS[kind]
        * dimming(np.array(FRAGMENT_MM), retina_gap, exit_distance, pupil)
    )
    central = np.exp(-((eccentricity_deg / 30.0) ** 2))
    return (whole + pieces * (size_mm / 2) ** 0.6) * central + 1e-6
