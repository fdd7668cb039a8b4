"""Where a target lies in the vitreous and how wide the converging cone is in front of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from retreat.optics._allowed import FloatArray, above_zero, within
from retreat.optics.eyes import NAVARRO, SchematicEye, paraxial

# Full cone angle in air of an ophthalmic photodisruptor: from memory, general texts, not read.
CONE_ANGLE_DEG = 16.0


def vitreous_length(axial_mm: ArrayLike) -> FloatArray:
    """Length of the vitreous on the axis: axial length less 7.60 mm, the back of the lens.

    The 7.60 mm are those of the Navarro eye (cornea 0.55, anterior chamber 3.05, lens 4.0 mm;
    Escudero-Sanz and Navarro 1999 [1]_). Real lenses thicken with age and implants are thin, so that the
    length is good to about a millimetre.

    Parameters
    ----------
    axial_mm : array_like of float
        Axial length, 18 to 36 mm.

    Returns
    -------
    ndarray of float, same shape
        mm.

    Raises
    ------
    ValueError
        If an axial length is out of range.

    References
    ----------
    .. [1] Escudero-Sanz I, Navarro R. J Opt Soc Am A 1999;16(8):1881-1891. doi 10.1364/JOSAA.16.001881

    Examples
    --------
    >>> vitreous_length([23.92, 27.0]).round(2).tolist()
    [16.32, 19.4]
    """
    return within(axial_mm, "axial_mm", 18.0, 36.0, "mm") - NAVARRO.lens_back_mm


def depth_fraction(lens_gap_mm: ArrayLike, retina_gap_mm: ArrayLike) -> FloatArray:
    """Position of an opacity along the vitreous: 0 at the back of the lens, 1 at the retina.

    depth = lens gap / (lens gap + retina gap). Our own definition.

    Parameters
    ----------
    lens_gap_mm, retina_gap_mm : array_like of float
        Distance from the back of the lens and from the retina, 0 to 36 mm; they broadcast.

    Returns
    -------
    ndarray of float
        0 to 1.

    Raises
    ------
    ValueError
        If a gap is out of range or both gaps of an opacity are 0.

    Examples
    --------
    >>> depth_fraction([4.0, 0.0], [12.0, 16.0]).tolist()
    [0.25, 0.0]
    """
    lens_gap = within(lens_gap_mm, "lens_gap_mm", 0.0, 36.0, "mm")
    whole = lens_gap + within(retina_gap_mm, "retina_gap_mm", 0.0, 36.0, "mm")
    if np.any(whole == 0.0):
        raise ValueError("lens_gap_mm and retina_gap_mm: both are 0, so there is no vitreous between them")
    return lens_gap / whole


def cone_half_angle_in_vitreous(
    full_angle_air_deg: ArrayLike = CONE_ANGLE_DEG, *, index: float = 1.336
) -> FloatArray:
    """Half angle of the cone inside the eye, from its full angle in air, by Snell's law at a flat face.

    sin(half angle inside) = sin(full angle / 2) / index. A flat face is what a contact lens of the index of
    the vitreous makes of the cornea; its real index, and the power of the eye's own lens, are left out.

    Parameters
    ----------
    full_angle_air_deg : array_like of float
        Full angle in air, above 0 to 60 degrees. The default 16 is from memory (general texts, not read);
        focusing angles of 1.7 to 32 degrees cover intraocular laser surgery (Vogel et al. 1996 [1]_,
        abstract).
    index : float
        Refractive index of the vitreous, 1 to 2; 1.336 at 589 nm (Escudero-Sanz and Navarro 1999 [2]_).

    Returns
    -------
    ndarray of float, same shape
        Degrees.

    Raises
    ------
    ValueError
        If an angle or the index is out of range.

    References
    ----------
    .. [1] Vogel A et al. Plasma formation in water by picosecond and nanosecond Nd:YAG laser pulses I.
       IEEE J Sel Top Quantum Electron 1996;2(4) (journal and year from memory).
    .. [2] Escudero-Sanz I, Navarro R. J Opt Soc Am A 1999;16(8):1881-1891. doi 10.1364/JOSAA.16.001881

    Examples
    --------
    >>> round(float(cone_half_angle_in_vitreous(16)), 2)
    5.98
    """
    full_angle = above_zero(full_angle_air_deg, "full_angle_air_deg", 60.0, "degrees")
    within(index, "index", 1.0, 2.0)
    return np.degrees(np.arcsin(np.sin(np.radians(full_angle / 2.0)) / index))


def beam_diameter(
    distance_from_focus_mm: ArrayLike, *, full_angle_air_deg: ArrayLike = CONE_ANGLE_DEG, index: float = 1.336
) -> FloatArray:
    """Diameter of the beam at a distance from its focus in the vitreous, on either side of it.

    diameter = 2 distance tan(half angle inside). Geometry of rays: no diffraction, no aberration, so it says
    nothing within a few tens of micrometres of the focus.

    Parameters
    ----------
    distance_from_focus_mm : array_like of float
        0 to 36 mm.
    full_angle_air_deg, index
        See `cone_half_angle_in_vitreous`.

    Returns
    -------
    ndarray of float, same shape
        mm.

    Raises
    ------
    ValueError
        If a value is out of range.

    Examples
    --------
    >>> beam_diameter([2.0, 5.0]).round(2).tolist()
    [0.42, 1.05]
    """
    distance = within(distance_from_focus_mm, "distance_from_focus_mm", 0.0, 36.0, "mm")
    return 2.0 * distance * np.tan(np.radians(cone_half_angle_in_vitreous(full_angle_air_deg, index=index)))


@dataclass(frozen=True)
class Footprint:
    """Circle in which the cone crosses the plane of the cornea.

    Parameters
    ----------
    radius_mm : ndarray of float
        Radius of the circle (mm).
    offset_mm : ndarray of float
        Distance of its centre from the centre of the cornea (mm).
    """

    radius_mm: FloatArray
    offset_mm: FloatArray


def corneal_footprint(
    depth: ArrayLike,
    eccentricity_deg: ArrayLike,
    *,
    eye: SchematicEye = NAVARRO,
    full_angle_deg: float = CONE_ANGLE_DEG,
) -> Footprint:
    """Circle on the cornea through which a cone converges on a target at this depth and eccentricity.

    With z the distance of the target behind the cornea, z = lens back + depth x vitreous length:
    radius = z tan(half angle inside), and offset = exit pupil from cornea x tan(chief ray), where
    tan(chief ray) = tan(eccentricity) x (nodal point to retina) / (exit pupil to retina).

    Parameters
    ----------
    depth : array_like of float
        0 at the back of the lens, 1 at the retina.
    eccentricity_deg : array_like of float
        Angle from the line of sight at which the patient sees the opacity, 0 to 60 degrees; it broadcasts
        with `depth`.
    eye : SchematicEye
        Gives lengths, nodal point, exit pupil and index of the vitreous.
    full_angle_deg : float
        Full angle of the cone in air, above 0 to 60 degrees.

    Returns
    -------
    Footprint
        Radius and offset, each of the broadcast shape.

    Raises
    ------
    ValueError
        If a value is out of range.

    Notes
    -----
    What is simplified:

    - rays run straight from the target to the plane that touches the cornea: the contact lens is taken to
      cancel the cornea, and the power of the eye's own lens is left out;
    - the cornea is that plane (its sag, about half a millimetre at the edge of an ablation, is left out) and
      the ablation is centred on the line of sight;
    - the axis of the cone is the chief ray of the target, through the centre of the exit pupil; an operator
      may tilt the beam or look beside the centre of the pupil;
    - the section of a tilted cone is taken as a circle of the width it has on the axis;
    - the iris cuts nothing off, and all parts of the cone carry the same energy;
    - the retinal scale near the axis (nodal point) is used at every eccentricity. At the retina of the
      Navarro eye it makes the slope of the chief ray inside 0.81 of that outside; a trace through an
      implanted eye gave an angle ratio of 0.83, and the nodal-point rule holds to about 10 degrees
      (Simpson 2021 [1]_, abstract).

    References
    ----------
    .. [1] Simpson MJ. Scaling the retinal image of the wide-angle eye using the nodal point. Photonics
       2021;8(7):284. doi 10.3390/photonics8070284

    Examples
    --------
    >>> footprint = corneal_footprint([0.0, 1.0], [0.0, 20.0])
    >>> footprint.radius_mm.round(2).tolist(), footprint.offset_mm.round(2).tolist()
    ([0.8, 2.51], [0.0, 1.09])
    """
    position = eye.lens_back_mm + within(depth, "depth", 0.0, 1.0) * eye.vitreous_mm
    angle = np.radians(within(eccentricity_deg, "eccentricity_deg", 0.0, 60.0, "degrees"))
    points = paraxial(eye)
    half_angle = np.radians(cone_half_angle_in_vitreous(full_angle_deg, index=eye.vitreous_index))
    chief_ray = np.tan(angle) * points.nodal_to_retina_mm / points.exit_pupil_to_retina_mm
    radius, offset = np.broadcast_arrays(
        position * np.tan(half_angle), points.exit_pupil_from_cornea_mm * chief_ray
    )
    return Footprint(radius.copy(), offset.copy())
