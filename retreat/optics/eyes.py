"""Schematic eyes from the literature and what a paraxial ray makes of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache


@dataclass(frozen=True)
class SchematicEye:
    """A published eye of spherical surfaces on one axis, light entering from the left.

    Parameters
    ----------
    name : str
        Name in print.
    radii_mm : tuple of float
        Radius of each refracting surface, cornea first; positive when the centre lies behind the surface.
        The last two are the front and the back of the lens; the iris lies at the front of the lens.
    thicknesses_mm : tuple of float
        Distance from each surface to the next, the last one to the retina (the length of the vitreous).
    indices : tuple of float
        Refractive index in front of each surface and, last, of the vitreous.
    retina_radius_mm : float or None
        Radius of the retina; None where the source gives none. The calculations here use a flat retina.
    source : str
        Where it is published, and where the constants were read.

    Examples
    --------
    >>> round(NAVARRO.axial_mm, 2), round(NAVARRO.lens_back_mm, 2), round(NAVARRO.vitreous_mm, 2)
    (23.92, 7.6, 16.32)
    """

    name: str
    radii_mm: tuple[float, ...]
    thicknesses_mm: tuple[float, ...]
    indices: tuple[float, ...]
    retina_radius_mm: float | None
    source: str

    @property
    def axial_mm(self) -> float:
        """Axial length, from the front of the cornea to the retina (mm)."""
        return math.fsum(self.thicknesses_mm)

    @property
    def lens_back_mm(self) -> float:
        """Distance from the front of the cornea to the back of the lens (mm)."""
        return math.fsum(self.thicknesses_mm[:-1])

    @property
    def vitreous_mm(self) -> float:
        """Length of the vitreous on the axis (mm)."""
        return self.thicknesses_mm[-1]

    @property
    def vitreous_index(self) -> float:
        """Refractive index of the vitreous."""
        return self.indices[-1]


# The constants of the three eyes were read in the code of the open-source eye-model package
# MREYE-LUMC/visisipy (visisipy/models/zoo and materials.py), which cites the publications named here.
NAVARRO = SchematicEye(
    "Navarro, 589 nm",
    (7.72, 6.50, 10.2, -6.0),
    (0.55, 3.05, 4.0, 16.3203),
    (1.0, 1.376, 1.3374, 1.42, 1.336),
    -12.0,
    "Escudero-Sanz I, Navarro R. Off-axis aberrations of a wide-angle schematic eye model. J Opt Soc Am A "
    "1999;16(8):1881-1891. doi 10.1364/JOSAA.16.001881",
)
LE_GRAND = SchematicEye(
    "Gullstrand-Le Grand, relaxed",
    (7.8, 6.5, 10.2, -6.0),
    (0.55, 3.05, 4.0, 16.59655),
    (1.0, 1.3771, 1.3374, 1.42, 1.336),
    -13.4,
    "Le Grand Y, El Hage SG. Physiological Optics. Springer 1980",
)
BENNETT_RABBETTS = SchematicEye(
    "Bennett-Rabbetts, relaxed",
    (7.80, 11.0, -6.47515),  # one corneal surface
    (3.60, 3.70, 16.79),
    # lens index 1.422 from memory; with it the eye has 60.00 D, focuses within 4 um of the retina and has
    # the published cardinal points
    (1.0, 1.336, 1.422, 1.336),
    None,
    "Bennett AG, Rabbetts RB. Clinical Visual Optics, 2nd ed. 1990",
)


@dataclass(frozen=True)
class Paraxial:
    """Cardinal points and pupils of a schematic eye, for rays close to the axis.

    Parameters
    ----------
    power_d : float
        Power of the whole eye (D).
    focus_from_cornea_mm, nodal_from_cornea_mm : float
        Second focal point and second nodal point, from the front of the cornea (mm).
    nodal_to_retina_mm : float
        From the second nodal point to the retina (mm).
    mm_per_degree : float
        Length on the retina of one degree of visual field near the axis (mm/degree).
    entrance_pupil_from_cornea_mm, exit_pupil_from_cornea_mm : float
        The pupil as seen from outside, and from the vitreous; from the front of the cornea (mm).
    exit_pupil_to_retina_mm : float
        From the exit pupil to the retina (mm).
    pupil_ratio : float
        Diameter of the exit pupil over that of the entrance pupil.
    """

    power_d: float
    focus_from_cornea_mm: float
    nodal_from_cornea_mm: float
    nodal_to_retina_mm: float
    mm_per_degree: float
    entrance_pupil_from_cornea_mm: float
    exit_pupil_from_cornea_mm: float
    exit_pupil_to_retina_mm: float
    pupil_ratio: float


@lru_cache(maxsize=32)
def paraxial(eye: SchematicEye) -> Paraxial:
    """Power, nodal point and pupils of a schematic eye, by tracing three paraxial rays.

    At a surface of radius r a ray at height y keeps its height, and n u becomes n u - y (n' - n) / r;
    between surfaces y grows by u times the distance (u slope, n refractive index; Smith and Atchison 1997
    [1]_). A ray parallel to the axis gives power and nodal point; a ray from the centre of the iris
    backwards and one forwards give the entrance and the exit pupil.

    Parameters
    ----------
    eye : SchematicEye
        At least a cornea and the two surfaces of a lens.

    Returns
    -------
    Paraxial
        Distances in mm, power in D.

    Notes
    -----
    The retinal scale that follows, 0.287 to 0.291 mm a degree for the three eyes, stands between published
    measurements: 0.288 at the fovea (Drasdo and Fowler 1974 [2]_, read in a secondary source) and 0.276 at
    the posterior pole (Br J Ophthalmol 1988 [3]_). It holds to about 10 degrees from the axis.

    References
    ----------
    .. [1] Smith G, Atchison DA. The Eye and Visual Optical Instruments. Cambridge University Press, 1997
       (from memory).
    .. [2] Drasdo N, Fowler CW. Br J Ophthalmol 1974;58:709-714.
    .. [3] Image size in the fundus: structural evidence for wide-field retinal magnification factor.
       Br J Ophthalmol 1988;72:228-230. doi 10.1136/bjo.72.3.228

    Examples
    --------
    >>> eye = paraxial(NAVARRO)
    >>> round(eye.power_d, 2), round(eye.exit_pupil_to_retina_mm, 2), round(eye.mm_per_degree, 4)
    (60.42, 20.24, 0.2874)
    """
    radii, gaps, n = eye.radii_mm, eye.thicknesses_mm, eye.indices
    iris = len(radii) - 2  # the iris lies at the front of the lens, the last surface but one
    height, slope = _trace(radii, gaps, n, 1.0, 0.0)
    power_per_mm = -n[-1] * slope  # the ray came in at height 1
    focus = eye.lens_back_mm - height / slope
    nodal = focus - n[-1] / power_per_mm + (n[-1] - n[0]) / power_per_mm

    # Both pupils are images of the iris: the ray starts on the axis with slope 1 in front of the lens. The
    # image is smaller by the ratio of n times slope before and after (invariant of Lagrange).
    height, slope = _trace(radii[iris:], gaps[iris:], n[iris:], 0.0, 1.0)
    exit_pupil = eye.lens_back_mm - height / slope
    exit_size = n[iris] / (n[-1] * slope)
    height = gaps[iris - 1]  # backwards to the last corneal surface, then out of the eye
    height, slope = _trace(
        [-r for r in radii[:iris][::-1]], gaps[: iris - 1][::-1], n[: iris + 1][::-1], height, 1.0
    )
    entrance_pupil = height / slope
    entrance_size = n[iris] / (n[0] * slope)
    return Paraxial(
        power_d=1000.0 * power_per_mm,
        focus_from_cornea_mm=focus,
        nodal_from_cornea_mm=nodal,
        nodal_to_retina_mm=eye.axial_mm - nodal,
        mm_per_degree=(eye.axial_mm - nodal) * math.radians(1.0),
        entrance_pupil_from_cornea_mm=entrance_pupil,
        exit_pupil_from_cornea_mm=exit_pupil,
        exit_pupil_to_retina_mm=eye.axial_mm - exit_pupil,
        pupil_ratio=exit_size / entrance_size,
    )


def _trace(
    radii: Sequence[float], gaps: Sequence[float], indices: Sequence[float], height: float, slope: float
) -> tuple[float, float]:
    """Height and slope behind the last surface of a ray that meets the first with this height and slope."""
    for i, radius in enumerate(radii):
        before, after = indices[i], indices[i + 1]
        slope = (before * slope - height * (after - before) / radius) / after
        if i < len(radii) - 1:
            height += slope * gaps[i]
    return height, slope
