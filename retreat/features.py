"""Features of a case, derived from its table columns by numpy alone and replayed on new cases.

A category comes out as text, None where missing; a number as float, NaN where missing. A column that the
table lacks counts as missing throughout, so that one case told by a few options runs through the same code.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from retreat.errors import DefinitionError, Fault, TableError
from retreat.optics import (
    NAVARRO,
    Shadow,
    corneal_footprint,
    depth_fraction,
    shadow,
    vitreous_length,
    zone_mixing,
    zone_shares,
)

FloatArray = NDArray[np.float64]
TextArray = NDArray[np.object_]

MISSING_CODES = ("not_recorded", "not_applicable", "unknown")

LEVELS: dict[str, tuple[str, ...]] = {
    "eye": ("right", "left"),
    "opacity": ("ring", "strand", "cloud", "sheet"),
    "opacities": ("single", "few", "many"),
    "zone": ("anterior", "middle", "posterior"),
    "cornea": ("none", "myopic_ablation", "hyperopic_ablation", "incisional"),
    "lens": ("natural", "monofocal", "multifocal"),
    "pvd": ("complete", "partial", "none"),
}
RANGES: dict[str, tuple[float, float, str]] = {
    "size_mm": (0.1, 15.0, "mm"),
    "lens_gap_mm": (0.0, 25.0, "mm"),
    "retina_gap_mm": (0.0, 25.0, "mm"),
    "eccentricity_deg": (0.0, 60.0, "degrees"),
    "sphere_d": (-30.0, 20.0, "dioptres"),
    "axial_mm": (18.0, 36.0, "mm"),
    "pupil_mm": (2.0, 10.0, "mm"),
    "age": (18.0, 100.0, "years"),
    "relief_before": (0.0, 10.0, "points of 0 to 10"),
}
# Gaps are read off a scale at the slit lamp and the lens back is that of a model eye, so that gaps may exceed
# the vitreous by this much before they are refused [our own choice].
GAP_TOLERANCE_MM = 2.5
ZONE_DEPTH = {"anterior": 1 / 6, "middle": 1 / 2, "posterior": 5 / 6}  # the middles of three equal parts
AGE_CAP = 90.0  # ages above 89 are stored as 90; a new case must meet the model in the same way
WIDEST_SHADOW_DEG = 180.0  # beyond half the visual field the flat retina of the geometry means nothing


class Columns(Protocol):
    """Columns by name: a mapping of arrays, or a data frame."""

    def __getitem__(self, name: str, /) -> Any: ...
    def __contains__(self, name: object, /) -> bool: ...
    def __iter__(self) -> Iterator[Any]: ...


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


def n_cases(columns: Columns) -> int:
    """Count the cases.

    Parameters
    ----------
    columns : mapping of str to array_like of shape (cases,), or data frame
        A single value stands for one case.

    Raises
    ------
    TableError
        If there is no column, or columns differ in length.

    Examples
    --------
    >>> n_cases({"opacity": ["ring", "cloud"], "size_mm": [2.0, 5.0]})
    2
    """
    counts = {str(name): _count(columns[name]) for name in columns}
    if not counts:
        raise TableError(Fault("cases", "no columns", "at least one column of the case table"))
    first, expected = next(iter(counts.items()))
    faults = [
        Fault(name, f"{count} values, but {first} has {expected}", "one value a case", column=name)
        for name, count in counts.items()
        if count != expected
    ]
    if faults:
        raise TableError(faults)
    return expected


def text(columns: Columns, name: str) -> TextArray:
    """Text of one column, without spaces around it.

    Parameters
    ----------
    columns : mapping of str to array_like of shape (cases,), or data frame
        The table.
    name : str
        Column; one that the table lacks is missing in every case.

    Returns
    -------
    ndarray of object, shape (cases,)
        str, or None where the value is a missing code, empty, None, NaN or pandas' NA.

    Raises
    ------
    TableError
        See `n_cases`.

    Examples
    --------
    >>> text({"lens": ["natural", "not_recorded", None]}, "lens").tolist()
    ['natural', None, None]
    """
    seen = _Cleaned()  # distinct values are few, cases may be a million
    values = _raw(columns, name, object)
    cleaned = np.empty(len(values), dtype=object)
    cleaned[:] = [seen[value] for value in values.tolist()]
    return cleaned


def number(columns: Columns, name: str) -> FloatArray:
    """Numbers of one column.

    Parameters
    ----------
    columns : mapping of str to array_like of shape (cases,), or data frame
        The table. Text that spells a number is read as that number.
    name : str
        Column; one that the table lacks is missing in every case.

    Returns
    -------
    ndarray of float, shape (cases,)
        NaN where missing; see `text` for what counts as missing.

    Raises
    ------
    TableError
        With one fault for each value that is neither a finite number nor missing. Its row is that of a
        spreadsheet: the first case is row 2.

    Examples
    --------
    >>> number({"size_mm": ["2.5", "unknown"]}, "size_mm").tolist()
    [2.5, nan]
    """
    values = _raw(columns, name, None)
    if values.dtype.kind in "iuf" and not np.any(np.isinf(values)):
        return values.astype(np.float64)
    words = text(columns, name)
    parsed = {word: _parsed(word) for word in set(words.tolist())}
    wrong = [i for i, word in enumerate(words.tolist()) if parsed[word] is None]
    if wrong:
        allowed = f"a number with a decimal point, or one of {', '.join(MISSING_CODES)}"
        raise TableError(_fault(name, i, words[i], allowed, "correct it") for i in wrong)
    return np.array([parsed[word] for word in words.tolist()], dtype=np.float64)


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
        fault = Fault(name, "no such feature", ", ".join(FEATURES), _nearest(name, tuple(FEATURES)))
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


class _Cleaned(dict[Any, str | None]):
    """Cleaned text by raw value, filled as values come."""

    def __missing__(self, value: Any) -> str | None:
        # pandas' NA and NaT are told by name, so that pandas need not be imported
        missing = value is None or type(value).__name__ in ("NAType", "NaTType")
        word = "" if missing or value != value else str(value).strip()
        self[value] = cleaned = None if not word or word in MISSING_CODES else word
        return cleaned


def _count(values: Any) -> int:
    try:
        return 1 if isinstance(values, str) else len(values)
    except TypeError:  # a single value stands for one case
        return 1


def _raw(columns: Columns, name: str, dtype: type | None) -> NDArray[Any]:
    """One value a case of a column, as it stands; None throughout for a column that the table lacks."""
    count = n_cases(columns)
    if name not in columns:
        return np.full(count, None, dtype=object)
    values = np.atleast_1d(np.asarray(columns[name], dtype=dtype))
    if values.ndim > 1:
        raise TableError(Fault(name, "several columns of this name", "one value a case", column=name))
    return values


def _parsed(word: str | None) -> float | None:
    """Give the number a word spells, NaN for a missing one, None for a word that is no number."""
    if word is None:
        return np.nan
    try:
        value = float(word.replace("_", "no digit"))  # Python would read 1_5 as 15
    except ValueError:
        return None
    return value if np.isfinite(value) else None


def _nearest(word: str, allowed: tuple[str, ...]) -> str:
    import difflib  # only on the way to an error

    close = difflib.get_close_matches(word.lower().replace(" ", "_"), allowed, n=1, cutoff=0.5)
    return f"the nearest is {close[0]}" if close else "choose one of those allowed"


def _fault(column: str, row: int, value: object, allowed: str, fix: str) -> Fault:
    shown = f"{value:.12g}" if isinstance(value, float) else str(value)
    return Fault(column, f"value {shown}", allowed, fix, row=row + 2, column=column, value=shown)


def _level(columns: Columns, name: str) -> TextArray:
    words, levels = text(columns, name), LEVELS[name]
    if not set(words.tolist()) <= {None, *levels}:
        allowed = ", ".join((*levels, *MISSING_CODES))
        wrong = [(i, word) for i, word in enumerate(words.tolist()) if word not in (None, *levels)]
        raise TableError(_fault(name, i, word, allowed, _nearest(word, levels)) for i, word in wrong)
    return words


def _measure(columns: Columns, name: str) -> FloatArray:
    values, (low, high, unit) = number(columns, name), RANGES[name]
    wrong = np.flatnonzero((values < low) | (values > high))
    if wrong.size:
        allowed, fix = f"{low:g} to {high:g} {unit}", f"correct it or write {MISSING_CODES[0]}"
        raise TableError(_fault(name, int(i), float(values[i]), allowed, fix) for i in wrong)
    return values


def _read(columns: Columns, *names: str) -> list[Any]:
    """Checked columns of these names, with the faults of all of them at once."""
    arrays: list[NDArray[Any]] = []
    faults: list[Fault] = []
    for name in names:
        try:
            arrays.append(_level(columns, name) if name in LEVELS else _measure(columns, name))
        except TableError as error:
            faults.extend(error.faults)
    if faults:
        raise TableError(faults)
    return arrays


_DEPTH_NEEDS = ("lens_gap_mm", "retina_gap_mm", "axial_mm", "zone")
_ZONE_NEEDS = ("cornea", "eccentricity_deg", *_DEPTH_NEEDS)
_SHADOW_NEEDS = ("size_mm", "pupil_mm", *_DEPTH_NEEDS)


def _depth(columns: Columns) -> tuple[FloatArray, TextArray]:
    """Depth and its source: both gaps, else one gap and the axial length, else the middle of the zone."""
    lens_gap, retina_gap, axial, zone = _read(columns, *_DEPTH_NEEDS)
    vitreous = vitreous_length(axial)
    _refuse_gaps(lens_gap, retina_gap, vitreous)
    depth = np.array([ZONE_DEPTH.get(word, np.nan) for word in zone.tolist()], dtype=np.float64)
    source = np.where(np.isnan(depth), "missing", "zone").astype(object)
    one_gap = np.where(np.isnan(lens_gap), 1.0 - retina_gap / vitreous, lens_gap / vitreous)
    both_gaps = depth_fraction(lens_gap, retina_gap)
    for name, better in (("one_gap", np.clip(one_gap, 0.0, 1.0)), ("measured", both_gaps)):
        known = ~np.isnan(better)
        depth[known], source[known] = better[known], name
    return depth, source


def _refuse_gaps(lens_gap: FloatArray, retina_gap: FloatArray, vitreous: FloatArray) -> None:
    """Refuse gaps that do not fit into the vitreous, and two gaps of nothing."""
    together = np.nan_to_num(lens_gap) + np.nan_to_num(retina_gap)
    faults = []
    for i in np.flatnonzero(together > vitreous + GAP_TOLERANCE_MM).tolist():
        column = "retina_gap_mm" if np.isnan(lens_gap[i]) else "lens_gap_mm"
        allowed = f"gaps of {vitreous[i]:.1f} mm together, the axial length less the back of the lens"
        faults.append(_fault(column, i, float(together[i]), allowed, "correct the gaps or axial_mm"))
    for i in np.flatnonzero(lens_gap + retina_gap == 0.0).tolist():
        faults.append(_fault("lens_gap_mm", i, 0.0, "above 0 mm where retina_gap_mm is 0", "correct one"))
    if faults:
        raise TableError(faults)


def _zones(columns: Columns) -> FloatArray:
    """Shares of the footprint on treated centre, transition and untreated cornea, shape (cases, 3).

    A hyperopic ablation is given the circles of a myopic one. Incisions leave no such zones, so that an
    incised cornea counts as untreated here; what they do is left to the feature `cornea`.
    """
    cornea, eccentricity, *_ = _read(columns, *_ZONE_NEEDS)
    footprint = corneal_footprint(_depth(columns)[0], eccentricity)
    shares = zone_shares(footprint.radius_mm, footprint.offset_mm)
    shares[np.isin(cornea, ("none", "incisional"))] = (0.0, 0.0, 1.0)
    shares[_is_none(cornea)] = np.nan
    return shares


def _share(columns: Columns, zone: int) -> FloatArray:
    return _zones(columns)[:, zone]


def _shadow(columns: Columns) -> Shadow:
    """Shadow of a disc as wide as the opacity is long, at the opacity's distance from the retina.

    That distance is the measured gap, else it follows from the depth. Without an axial length the eye is
    taken as long as the schematic one: that scales the shadow, and changes no depth.
    """
    size, pupil, _, retina_gap, axial, _ = _read(columns, *_SHADOW_NEEDS)
    depth, _ = _depth(columns)
    axial = np.where(np.isnan(axial), NAVARRO.axial_mm, axial)
    vitreous = vitreous_length(axial)
    gap = np.where(np.isnan(retina_gap), (1.0 - depth) * vitreous, np.minimum(retina_gap, vitreous))
    return shadow(size, gap, pupil, axial_mm=axial)


def _corneal_surgery(columns: Columns) -> TextArray:
    (cornea,) = _read(columns, "cornea")
    surgery = np.where(cornea == "none", "no", "yes").astype(object)
    surgery[_is_none(cornea)] = None
    return surgery


def _is_none(words: TextArray) -> NDArray[np.bool_]:
    return np.array([word is None for word in words.tolist()], dtype=bool)


def _category(name: str, meaning: str, plain: str) -> Feature:
    derive = partial(_level, name=name)
    return Feature(name, "category", LEVELS[name], "", None, None, meaning, plain, (name,), derive)


def _number(name: str, meaning: str, plain: str) -> Feature:
    (low, high, unit), derive = RANGES[name], partial(_measure, name=name)
    return Feature(name, "number", (), unit, low, high, meaning, plain, (name,), derive)


def _zone_share(name: str, zone: int, meaning: str) -> Feature:
    plain = "how past surgery to see without glasses meets the beam"
    derive = partial(_share, zone=zone)
    return Feature(name, "number", (), "", 0.0, 1.0, meaning, plain, _ZONE_NEEDS, derive)


_ALL = (
    _category("opacity", "dominant kind of opacity", "the kind of floater"),
    _category("opacities", "number of opacities", "how many floaters there are"),
    _number("size_mm", "longest dimension of the opacity", "the size of the floater"),
    Feature(
        "depth", "number", (), "", 0.0, 1.0,
        "position along the vitreous, 0 at the back of the lens, 1 at the retina",
        "how far back in the eye the floater lies", _DEPTH_NEEDS, lambda columns: _depth(columns)[0],
    ),
    Feature(
        "depth_source", "category", ("measured", "one_gap", "zone", "missing"), "", None, None,
        "what the depth was derived from: both gaps, one gap and the axial length, or the zone",
        "how the place of the floater was measured", _DEPTH_NEEDS, lambda columns: _depth(columns)[1],
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
        lambda columns: np.minimum(_measure(columns, "age"), AGE_CAP),
    ),
    _number("relief_before", "patient's rating before treatment", "how much the floater bothers you"),
    _category("eye", "right or left eye", "which eye it is"),
    Feature(
        "zone_mixing", "number", (), "", 0.0, 2 / 3,
        "chance that two rays of the cone cross different zones of an ablated cornea; 0 without ablation "
        "(simplified geometry)",
        "how past surgery to see without glasses meets the beam", _ZONE_NEEDS,
        lambda columns: zone_mixing(_zones(columns)),
    ),
    _zone_share("treated_share", 0, "share of the cone on the treated centre; 0 without ablation"),
    _zone_share("transition_share", 1, "share of the cone on the ring of transition; 0 without ablation"),
    _zone_share("untreated_share", 2, "share of the cone on untreated cornea; 1 without ablation"),
    Feature(
        "shadow_contrast", "number", (), "", 0.0, 1.0,
        "share of light missing at the centre of the shadow of a disc as wide as the opacity is long "
        "(simplified geometry)",
        "how dark the shadow of the floater is", _SHADOW_NEEDS, lambda columns: _shadow(columns).contrast,
    ),
    Feature(
        "shadow_outer_deg", "number", (), "degrees", 0.0, WIDEST_SHADOW_DEG,
        "width of that shadow with its soft edge, at most 180 degrees (simplified geometry)",
        "how wide the shadow of the floater is", _SHADOW_NEEDS,
        lambda columns: np.minimum(_shadow(columns).outer_deg, WIDEST_SHADOW_DEG),
    ),
)  # fmt: skip
FEATURES: dict[str, Feature] = {entry.name: entry for entry in _ALL}
