"""The shadow an opaque disc in the vitreous casts on the retina."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from retreat.optics._allowed import FloatArray, above_zero, within
from retreat.optics.eyes import NAVARRO, SchematicEye, paraxial


@dataclass(frozen=True)
class Shadow:
    """Shadow of an opaque disc at the retina; all arrays have the broadcast shape of the arguments.

    Parameters
    ----------
    umbra_mm, umbra_deg : ndarray of float
        Width of the full shadow on the retina (mm) and in the visual field (degrees). Negative: there is no
        full shadow, only a grey one.
    outer_mm, outer_deg : ndarray of float
        Width of the whole shadow with its soft edge (mm; degrees).
    contrast : ndarray of float
        Share of the light that is missing at the centre, 0 to 1.
    umbra_reach_mm : ndarray of float
        Distance from the retina beyond which a disc of this width casts no full shadow (mm).
    """

    umbra_mm: FloatArray
    outer_mm: FloatArray
    umbra_deg: FloatArray
    outer_deg: FloatArray
    contrast: FloatArray
    umbra_reach_mm: FloatArray


def shadow(
    width_mm: ArrayLike,
    retina_gap_mm: ArrayLike,
    pupil_mm: ArrayLike,
    *,
    eye: SchematicEye = NAVARRO,
    axial_mm: ArrayLike | None = None,
) -> Shadow:
    """Width and darkness of the shadow of an opaque disc of width w at distance d in front of the retina.

    With p the diameter of the exit pupil at distance L from the retina, similar triangles give
    umbra = (w L - p d) / (L - d), outer = (w L + p d) / (L - d), contrast = min(1, (w L / (p d))^2) and
    umbra reach = w L / p. Derived here; light of one brightness from the whole pupil.

    Parameters
    ----------
    width_mm : array_like of float
        Width of the disc, above 0 to 15 mm.
    retina_gap_mm : array_like of float
        Distance of the disc from the retina, 0 to the length of the vitreous (mm).
    pupil_mm : array_like of float
        Diameter of the pupil as seen from outside (entrance pupil), above 0 to 10 mm. The exit pupil is
        smaller by the ratio of `paraxial`, about 0.92.
    eye : SchematicEye
        Gives exit pupil, nodal point and, by default, the axial length.
    axial_mm : array_like of float, optional
        Axial length of the eye itself, 18 to 36 mm; only the vitreous differs from `eye`, so that exit pupil
        and nodal point stay where they are. All arguments broadcast.

    Returns
    -------
    Shadow
        mm, degrees and shares.

    Raises
    ------
    ValueError
        If a value is out of range, or a disc lies in front of the vitreous.

    Notes
    -----
    What is simplified: a flat retina, a disc square to the axis, no diffraction and no scatter, and degrees
    by the scale at the centre of the retina, so that wide shadows come out too wide. Real opacities act by
    interference as well and need not be opaque (Harmer et al. 2022 [1]_, abstract): below about 0.05 mm
    the geometry says little.

    References
    ----------
    .. [1] Harmer SW, Luff AJ, Gini G. Optical scattering from vitreous floaters. Bioelectromagnetics 2022.
       doi 10.1002/bem.22386

    Examples
    --------
    >>> ring = shadow(1.5, 3.0, 4.0)
    >>> round(float(ring.umbra_mm), 2), round(float(ring.outer_deg), 2), float(ring.contrast)
    (1.12, 8.35, 1.0)
    >>> round(float(shadow(0.5, 3.0, 4.0).contrast), 3)
    0.842
    """
    points = paraxial(eye)
    length = within(eye.axial_mm if axial_mm is None else axial_mm, "axial_mm", 18.0, 36.0, "mm")
    width = above_zero(width_mm, "width_mm", 15.0, "mm")
    gap = within(retina_gap_mm, "retina_gap_mm", 0.0, 36.0, "mm")
    if np.any(gap > length - eye.lens_back_mm + 1e-9):
        raise ValueError("retina_gap_mm: longer than the vitreous")
    pupil = above_zero(pupil_mm, "pupil_mm", 10.0, "mm") * points.pupil_ratio
    throw = length - points.exit_pupil_from_cornea_mm  # exit pupil to retina
    width, gap, pupil, throw = np.broadcast_arrays(width, gap, pupil, throw)
    clear, blurred = width * throw, pupil * gap
    umbra = (clear - blurred) / (throw - gap)
    outer = (clear + blurred) / (throw - gap)
    # on the retina itself (gap 0) nothing is blurred and the shadow is full
    darkness = np.divide(clear, blurred, out=np.full(clear.shape, np.inf), where=blurred != 0.0)
    mm_per_degree = np.radians(throw - (points.nodal_from_cornea_mm - points.exit_pupil_from_cornea_mm))
    return Shadow(
        umbra_mm=umbra,
        outer_mm=outer,
        umbra_deg=umbra / mm_per_degree,
        outer_deg=outer / mm_per_degree,
        contrast=np.minimum(1.0, darkness) ** 2,
        umbra_reach_mm=clear / pupil,
    )
