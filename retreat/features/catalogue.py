"""The features a model may use, each with what it is and how it is derived."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from retreat.errors import DefinitionError, Fault, TableError
from retreat.features.columns import (
    LEVELS,
    RANGES,
    Columns,
    FloatArray,
    TextArray,
    is_none,
    level,
    measure,
    nearest,
    read,
)
from retreat.features.depth import DEPTH_NEEDS, SHADOW_NEEDS, ZONE_NEEDS, depth, shadow_of, zones
from retreat.optics import zone_mixing

AGE_CAP = 90.0  # ages above 89 are stored as 90; a new case must meet the model in the same way
WIDEST_SHADOW_DEG = 180.0  # beyond half the visual field the flat retina of the geometry means nothing


@dataclass(frozen=True)
class Feature:
    """One feature a model may use.

    Parameters
    ----------
    name : str
        Name in model definitions.
    kind : {"category", "number"}
        What `derive` returns: text with None where missing, or float with NaN where missing.
    levels : tuple of str
        Levels of a category; empty for a number.
    unit : str
        Unit of a number; empty for a category or a share.
    low, high : float or None
        Range of a number, both ends included; None for a category.
    meaning : str
        What it is, for the clinic.
    plain : str
        What it is, in the patient's words, to stand in a sentence.
    needs : tuple of str
        Columns of the case table it is derived from.
    derive : callable
        From columns to one value a case, shape (cases,).
    """

    name: str
    kind: Literal["category", "number"]
    levels: tuple[str, ...]
    unit: str
    low: float | None
    high: float | None
    meaning: str
    plain: str
    needs: tuple[str, ...]
    derive: Callable[[Columns], NDArray[Any]]


def feature(columns: Columns, name: str) -> NDArray[Any]:
    """One feature of every case.

    Parameters
    ----------
    columns : mapping of str to array_like of shape (cases,), or data frame
        Columns of the case table; see `Feature.needs` for those that matter.
    name : str
        A key of `FEATURES`.

    Returns
    -------
    ndarray, shape (cases,)
        Text with None where missing for a category; float with NaN where missing for a number.

    Raises
    ------
    DefinitionError
        If there is no feature of that name.
    TableError
        With one fault for each value that is no allowed level or number, is out of range, or contradicts
        another column.

    Examples
    --------
    >>> feature({"lens_gap_mm": [4.0], "retina_gap_mm": [12.0]}, "depth").tolist()
    [0.25]
    """
    if name not in FEATURES:
        fault = Fault(name, "no such feature", ", ".join(FEATURES), nearest(name, tuple(FEATURES)))
        raise DefinitionError(fault)
    return FEATURES[name].derive(columns)


def features(columns: Columns, names: Iterable[str]) -> dict[str, NDArray[Any]]:
    """Several features of every case, with the faults of all of them at once.

    Parameters
    ----------
    columns : mapping of str to array_like of shape (cases,), or data frame
        Columns of the case table.
    names : iterable of str
        Keys of `FEATURES`.

    Returns
    -------
    dict of str to ndarray, each of shape (cases,)
        See `feature`.

    Raises
    ------
    DefinitionError, TableError
        See `feature`; each fault once, even where several features need the column.

    Examples
    --------
    >>> list(features({"opacity": ["ring"], "age": [93]}, ["opacity", "age"]).values())
    [array(['ring'], dtype=object), array([90.])]
    """
    derived: dict[str, NDArray[Any]] = {}
    faults: dict[Fault, None] = {}  # a set that keeps its order
    for name in names:
        try:
            derived[name] = feature(columns, name)
        except TableError as error:
            faults.update(dict.fromkeys(error.faults))
    if faults:
        raise TableError(faults)
    return derived


def _corneal_surgery(columns: Columns) -> TextArray:
    (cornea,) = read(columns, "cornea")
    surgery = np.where(cornea == "none", "no", "yes").astype(object)
    surgery[is_none(cornea)] = None
    return surgery


def _share(columns: Columns, zone: int) -> FloatArray:
    return zones(columns)[:, zone]


def _category(name: str, meaning: str, plain: str) -> Feature:
    derive = partial(level, name=name)
    return Feature(name, "category", LEVELS[name], "", None, None, meaning, plain, (name,), derive)


def _number(name: str, meaning: str, plain: str) -> Feature:
    (low, high, unit), derive = RANGES[name], partial(measure, name=name)
    return Feature(name, "number", (), unit, low, high, meaning, plain, (name,), derive)


def _zone_share(name: str, zone: int, meaning: str) -> Feature:
    plain = "how past surgery to see without glasses meets the beam"
    derive = partial(_share, zone=zone)
    return Feature(name, "number", (), "", 0.0, 1.0, meaning, plain, ZONE_NEEDS, derive)


_ALL = (
    _category("opacity", "dominant kind of opacity", "the kind of floater"),
    _category("opacities", "number of opacities", "how many floaters there are"),
    _number("size_mm", "longest dimension of the opacity", "the size of the floater"),
    Feature(
        "depth", "number", (), "", 0.0, 1.0,
        "position along the vitreous, 0 at the back of the lens, 1 at the retina",
        "how far back in the eye the floater lies", DEPTH_NEEDS, lambda columns: depth(columns)[0],
    ),
    Feature(
        "depth_source", "category", ("measured", "one_gap", "zone", "missing"), "", None, None,
        "what the depth was derived from: both gaps, one gap and the axial length, or the zone",
        "how the place of the floater was measured", DEPTH_NEEDS, lambda columns: depth(columns)[1],
    ),
    _number("eccentricity_deg", "angle from the line of sight", "how far off centre you see it"),
    _category("cornea", "corneal refractive surgery", "past surgery to see without glasses"),
    Feature(
        "corneal_surgery", "category", ("no", "yes"), "", None, None,
        "any corneal refractive surgery: ablation or incisions",
        "past surgery to see without glasses", ("cornea",), _corneal_surgery,
    ),
    _category("lens", "natural lens or implant", "the lens in the eye"),
    _number("sphere_d", "spherical equivalent before corneal surgery", "the strength of your first glasses"),
    _number("axial_mm", "axial length", "the length of the eye"),
    _number("pupil_mm", "diameter of the dilated pupil", "how wide the pupil opens"),
    _category("pvd", "posterior vitreous detachment", "if the gel has come away from the back of the eye"),
    Feature(
        "age", "number", (), "years", 18.0, AGE_CAP, "age, above 89 taken as 90", "your age", ("age",),
        lambda columns: np.minimum(measure(columns, "age"), AGE_CAP),
    ),
    _number("relief_before", "patient's rating before treatment", "how much the floater bothers you"),
    _category("eye", "right or left eye", "which eye it is"),
    Feature(
        "zone_mixing", "number", (), "", 0.0, 2 / 3,
        "chance that two rays of the cone cross different zones of an ablated cornea; 0 without ablation "
        "(simplified geometry)",
        "how past surgery to see without glasses meets the beam", ZONE_NEEDS,
        lambda columns: zone_mixing(zones(columns)),
    ),
    _zone_share("treated_share", 0, "share of the cone on the treated centre; 0 without ablation"),
    _zone_share("transition_share", 1, "share of the cone on the ring of transition; 0 without ablation"),
    _zone_share("untreated_share", 2, "share of the cone on untreated cornea; 1 without ablation"),
    Feature(
        "shadow_contrast", "number", (), "", 0.0, 1.0,
        "share of light missing at the centre of the shadow of a disc as wide as the opacity is long "
        "(simplified geometry)",
        "how dark the shadow of the floater is", SHADOW_NEEDS, lambda columns: shadow_of(columns).contrast,
    ),
    Feature(
        "shadow_outer_deg", "number", (), "degrees", 0.0, WIDEST_SHADOW_DEG,
        "width of that shadow with its soft edge, at most 180 degrees (simplified geometry)",
        "how wide the shadow of the floater is", SHADOW_NEEDS,
        lambda columns: np.minimum(shadow_of(columns).outer_deg, WIDEST_SHADOW_DEG),
    ),
)  # fmt: skip
FEATURES: dict[str, Feature] = {entry.name: entry for entry in _ALL}
