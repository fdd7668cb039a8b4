"""Eyes described in words and columns: the ones a prior is shown on, and the ones an operator is asked about."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat import features as feature_floor
from retreat.coding import Coding, Term
from retreat.definitions import Definition
from retreat.errors import Fault, FitError
from retreat.features import FEATURES
from retreat.model.completion import missing_features

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Eye:
    """One eye described.

    Parameters
    ----------
    name : str
        In words.
    columns : mapping of str to str or float
        Columns of the case table.
    """

    name: str
    columns: Mapping[str, str | float]


# an eye like most that are treated (common practice); others differ from it in what is said
_USUAL: Mapping[str, str | float] = {
    "opacity": "ring",
    "opacities": "single",
    "size_mm": 2.0,
    "zone": "middle",
    "eccentricity_deg": 0.0,
    "cornea": "none",
    "lens": "natural",
    "pvd": "complete",
    "pupil_mm": 7.0,
    "axial_mm": 24.0,
    "sphere_d": 0.0,
    "age": 60.0,
    "relief_before": 6.0,
    "eye": "right",
}

SHOWN: tuple[Eye, ...] = (
    Eye("a typical ring (2 mm, middle depth, cornea never operated on)", _USUAL),
    Eye("a strand (3 mm, middle depth)", {**_USUAL, "opacity": "strand", "size_mm": 3.0}),
    Eye(
        "a large deep cloud after corneal surgery (5 mm, near the retina)",
        {
            **_USUAL,
            "opacity": "cloud",
            "size_mm": 5.0,
            "zone": "posterior",
            "cornea": "myopic_ablation",
            "sphere_d": -5.0,
        },
    ),
    Eye("a sheet (5 mm, middle depth)", {**_USUAL, "opacity": "sheet", "size_mm": 5.0}),
)

# how one column of the usual eye is changed to ask about a term: values that operators know (common practice)
_CHANGES: Mapping[str, tuple[tuple[str, str | float], ...]] = {
    "opacity": (("a strand", "strand"), ("a cloud", "cloud"), ("a sheet", "sheet")),
    "opacities": (("a few of them", "few"), ("many of them", "many")),
    "size_mm": (("small, 1 mm", 1.0), ("large, 5 mm", 5.0)),
    "zone": (("near the lens", "anterior"), ("near the retina", "posterior")),
    "eccentricity_deg": (("20 degrees off centre", 20.0),),
    "cornea": (("after corneal surgery for short sight", "myopic_ablation"),),
    "lens": (
        ("an implant with one focus", "monofocal"),
        ("an implant with more than one focus", "multifocal"),
    ),
    "pvd": (("gel partly come away", "partial"), ("gel not come away", "none")),
    "pupil_mm": (("pupil of 5 mm", 5.0),),
    "axial_mm": (("eye 27 mm long", 27.0),),
    "sphere_d": (("-6 dioptres", -6.0),),
    "age": (("45 years old", 45.0), ("75 years old", 75.0)),
    "relief_before": (("bother 9 of 10", 9.0),),
}
# the column to change for a feature that is derived from several
_COLUMN_OF: Mapping[str, str] = {"depth": "zone", "corneal_surgery": "cornea", "zone_mixing": "cornea"}


def eyes_to_ask(definition: Definition) -> tuple[Eye, ...]:
    """Eyes that between them tell of every term an operator can be asked about: a usual one, then one change each.

    Parameters
    ----------
    definition : Definition
        Whose terms.

    Returns
    -------
    tuple of Eye
        Each with only the columns the definition needs.

    Examples
    --------
    >>> from retreat.definitions import read_definition
    >>> [eye.name for eye in eyes_to_ask(read_definition("core"))][:2]
    ['a ring of 2 mm, middle depth, nothing unusual', 'the same, but a strand']
    """
    base = {column: _USUAL[column] for column in columns_needed(definition)}
    eyes = [Eye("a ring of 2 mm, middle depth, nothing unusual", base)]
    for term in definition.terms:
        eyes += [Eye(f"the same, but {words}", {**base, **change}) for words, change in _changes(term, base)]
    # features that hang on one column ask the same eye twice
    return tuple({tuple(eye.columns.items()): eye for eye in reversed(eyes)}.values())[::-1]


def columns_needed(definition: Definition) -> tuple[str, ...]:
    """Columns of the case table that describe an eye to a definition, the zone standing for gaps and axial length."""
    needed = {column for name in definition.features for column in FEATURES[name].needs}
    spared = set() if "axial_mm" in definition.features else {"axial_mm"}
    return tuple(column for column in _USUAL if column in needed - spared)


def coded(eyes: Sequence[Eye], definition: Definition, coding: Coding) -> FloatArray:
    """Coded columns of described eyes, shape (eyes, columns).

    Raises
    ------
    TableError
        If a value of an eye is not allowed.
    FitError
        If an eye lacks a feature of the definition.
    """
    names = list(dict.fromkeys(name for eye in eyes for name in eye.columns))
    table: dict[str, Any] = {
        name: np.array([eye.columns.get(name) for eye in eyes], dtype=object) for name in names
    }
    found = feature_floor.features(table, definition.features) if definition.features else {}
    missing = missing_features(found, len(eyes))
    faults = [
        Fault(
            name,
            f"not known of the eye described as {eye.name!r}",
            f"columns {', '.join(FEATURES[name].needs)}",
            f"describe it: the model {definition.name} uses {name}",
            row=row + 2,
            column=name,
        )
        for row, (eye, gone) in enumerate(zip(eyes, missing, strict=True))
        for name in gone
    ]
    if faults:
        raise FitError(faults)
    return coding.encode(found, n_cases=len(eyes))


def _changes(term: Term, base: Mapping[str, str | float]) -> list[tuple[str, dict[str, str | float]]]:
    """Words and changed columns of the eyes that tell of one term."""
    columns = [_COLUMN_OF.get(feature, feature) for feature in term.features]
    if not set(columns) <= _CHANGES.keys() & base.keys():
        return []
    if len(columns) == 1:
        return [(words, {columns[0]: value}) for words, value in _CHANGES[columns[0]]]
    # an interaction: the last change of each, together; of a category the one that is not the commonest
    both = [_CHANGES[column][-1] for column in columns]
    words = " and ".join(words for words, _ in both)
    return [(words, {column: value for column, (_, value) in zip(columns, both, strict=True)})]
