"""What the entries of a definition cannot check one by one: features, forms, levels and ends that must agree."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from itertools import pairwise

from retreat.definitions.entries import Prior, Sessions, TermEntry
from retreat.errors import Fault
from retreat.features import FEATURES, Feature

# settings that a form reads; any other would be ignored in silence
_SETTINGS: Mapping[str, tuple[str, ...]] = {
    "category": ("reference",),
    "linear": ("centre", "scale"),
    "log": ("centre",),
    "spline": ("centre", "scale", "knots"),
    "interaction": (),
}


def term_faults(
    source: str,
    terms: Mapping[int, TermEntry],
    written: Sequence[tuple[str, ...]],
    ends: tuple[str, ...] | None,
) -> list[Fault]:
    """Faults of the terms.

    Parameters
    ----------
    source : str
        Name of the file.
    terms : mapping of int to TermEntry
        Terms by position from 0; one that is broken in itself is left out.
    written : sequence of tuple of str
        Features of every term, broken ones too, so that an interaction still finds them.
    ends : tuple of str or None
        Ends a prior may name; None while they cannot be told.
    """
    faults: list[Fault] = []
    for position, entry in terms.items():
        where = f"{source}: term {position + 1} ({' x '.join(entry.features)})"
        unknown = [f for f in entry.features if f not in FEATURES]
        faults += [Fault(where, f"unknown feature {f}", near(f)) for f in unknown]
        if unknown:
            continue
        known = [FEATURES[f] for f in entry.features]
        earlier = written[:position]
        if any(set(entry.features) == set(features) for features in earlier):
            faults.append(Fault(where, "a second term of the same features", fix="keep one"))
        if entry.form == "interaction":
            faults += _interaction_faults(where, entry, earlier)
        else:
            faults += _single_faults(where, entry, known[0])
        faults += _setting_faults(where, entry)
        levels = tuple(dict.fromkeys(level for feature in known for level in feature.levels))
        faults += prior_faults(where, entry.prior, ends, levels)
        faults += _coverage_faults(where, entry.prior, ends)
    return faults


def session_faults(
    source: str, sessions: Sessions, ends: tuple[str, ...] | None, *, strata: str
) -> list[Fault]:
    """Faults of the session effects."""
    faults = prior_faults(f"{source}: sessions, first", sessions.first, ends, ())
    if sessions.effect == "smooth" and not strata and sessions.step is None:
        faults.append(Fault(f"{source}: sessions, step", "missing", "a scale for smooth session effects"))
    return faults


def support_faults(source: str, support: Mapping[str, tuple[float, ...]]) -> list[Fault]:
    """Faults of the features that define likeness."""
    faults = []
    for feature, edges in support.items():
        where = f"{source}: support, {feature}"
        if feature not in FEATURES:
            faults.append(Fault(where, "unknown feature", near(feature)))
        elif FEATURES[feature].kind == "category" and edges:
            faults.append(Fault(where, "band edges of a category", "[]"))
        elif FEATURES[feature].kind == "number" and not edges:
            faults.append(Fault(where, "a number without band edges", "rising numbers, such as [1.5, 3.0]"))
        elif any(b <= a for a, b in pairwise(edges)):
            faults.append(Fault(where, f"band edges {list(edges)}", "rising numbers"))
    return faults


def strata_faults(source: str, strata: str, *, has_terms: bool) -> list[Fault]:
    """Faults of the feature that splits a life table."""
    faults = []
    where = f"{source}: strata"
    categories = ", ".join(name for name, feature in FEATURES.items() if feature.kind == "category")
    if strata and (strata not in FEATURES or FEATURES[strata].kind != "category"):
        faults.append(Fault(where, f"{strata} is not a category", categories))
    if strata and has_terms:
        faults.append(Fault(where, "a life table by strata takes no terms", fix="drop one of them"))
    return faults


def prior_faults(
    where: str, priors: Sequence[Prior], ends: tuple[str, ...] | None, levels: tuple[str, ...]
) -> list[Fault]:
    """Ends and levels that priors name and that do not exist."""
    of_levels = ", ".join(levels) or "no level: this is no category"
    faults = [
        Fault(where, f"prior of unknown end {p.end}", ", ".join(ends))
        for p in priors
        if ends is not None and p.end and p.end not in ends
    ]
    return faults + [
        Fault(where, f"prior of unknown level {p.level}", of_levels)
        for p in priors
        if p.level and p.level not in levels
    ]


def near(name: str) -> str:
    """Features with a name like this one, else all."""
    return ", ".join(difflib.get_close_matches(name, FEATURES, 3) or FEATURES)


def _single_faults(where: str, entry: TermEntry, feature: Feature) -> list[Fault]:
    if len(entry.features) == 2:
        return [Fault(where, f"two features in form {entry.form}", "interaction")]
    if entry.form == "category":
        if feature.kind != "category":
            return [Fault(where, f"category of the number {feature.name}", "linear, log, spline")]
        if entry.reference not in feature.levels:
            return [Fault(where, f"reference {entry.reference!r}", ", ".join(feature.levels))]
        return []
    if feature.kind != "number":
        return [Fault(where, f"{entry.form} of the category {feature.name}", "category")]
    if entry.form != "log":
        return []
    faults = []
    if entry.centre is not None and entry.centre <= 0:
        faults.append(Fault(where, f"centre {entry.centre:g}", "above 0 for a log"))
    if feature.low is not None and feature.low <= 0:
        faults.append(
            Fault(where, f"log of a feature that may be {feature.low:g}", fix="use form linear or spline")
        )
    return faults


def _interaction_faults(where: str, entry: TermEntry, earlier: Sequence[tuple[str, ...]]) -> list[Fault]:
    if len(set(entry.features)) != 2:
        return [Fault(where, f"interaction of {entry.features[0]} alone", "two different features")]
    return [
        Fault(where, f"{f} has no term of its own before the interaction", fix="add it first")
        for f in entry.features
        if (f,) not in earlier
    ]


def _setting_faults(where: str, entry: TermEntry) -> list[Fault]:
    allowed = _SETTINGS[entry.form]
    given = [s for s in ("reference", "centre", "scale", "knots") if s in entry.model_fields_set]
    return [
        Fault(where, f"{s} is not a setting of {entry.form}", ", ".join(allowed) or "none", f"drop {s}")
        for s in given
        if s not in allowed
    ]


def _coverage_faults(where: str, priors: Sequence[Prior], ends: tuple[str, ...] | None) -> list[Fault]:
    bare = [end for end in ends or () if not any(not p.level and p.end in ("", end) for p in priors)]
    fix = "add one without a level first; priors of single levels may follow"
    return [Fault(where, f"no prior for all columns of end {end}", fix=fix) for end in bare]
