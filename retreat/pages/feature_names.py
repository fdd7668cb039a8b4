"""Short names of features on paper, in place of the names of their columns."""

from __future__ import annotations

import re

from retreat.features import FEATURES

# units that end the name of a column
_UNITS = ("_mm", "_deg", "_d")
_CODES = re.compile(rf"\b({'|'.join(sorted(FEATURES, key=len, reverse=True))})\b")


def short_name(feature: str) -> str:
    """Name of a feature without its unit.

    Examples
    --------
    >>> short_name("size_mm"), short_name("corneal_surgery"), short_name("sphere_d")
    ('size', 'corneal surgery', 'sphere')
    """
    stem = feature
    if feature in FEATURES and FEATURES[feature].unit:
        ending = next((unit for unit in _UNITS if feature.endswith(unit)), "")
        stem = feature.removesuffix(ending)
    return stem.replace("_", " ")


def in_short_names(text: str) -> str:
    """A text with each name of a column in words.

    Examples
    --------
    >>> in_short_names("size_mm (mm), corneal_surgery no")
    'size (mm), corneal surgery no'
    """
    return _CODES.sub(lambda found: short_name(found[0]), text)


def with_unit(feature: str) -> str:
    """Short name and unit.

    Examples
    --------
    >>> with_unit("size_mm"), with_unit("depth")
    ('size (mm)', 'depth')
    """
    unit = FEATURES[feature].unit if feature in FEATURES else ""
    return f"{short_name(feature)}{f' ({unit})' if unit else ''}"


def meant(feature: str) -> str:
    """Short name and what it means, with its unit.

    Examples
    --------
    >>> meant("size_mm")
    'size: longest dimension of the opacity (mm)'
    """
    one = FEATURES[feature]
    return f"{short_name(feature)}: {one.meaning}{f' ({one.unit})' if one.unit else ''}"
