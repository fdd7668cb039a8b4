"""The first table of a paper: features of the cases and patients at the start, by group, missing ones counted."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.features import FEATURES
from retreat.study.cohort.keys import (
    ALL,
    KNOWN,
    MISSING,
    Key,
    Told,
    Unit,
    differences_agree,
    of_group,
    splits,
    units_agree,
)
from retreat.study.cohort.studied import OF_PATIENT, BoolArray, Studied, known
from retreat.study.suppression.linked import Relation, adds_up
from retreat.study.suppression.sourced import Sourced

STATISTICS = ("mean", "sd", "low_quartile", "median", "high_quartile")
_COLUMNS = ("feature", "level", "unit", "group", "n", "of", "share", *STATISTICS)


def baseline_table(seen: Studied) -> Sourced:
    """Counts of each level, and mean, standard deviation and quartiles of numbers, in each group and in all.

    What belongs to the patient (age) is counted once a patient, in each group the patient has a case in; what
    belongs to the eye once a case. No extreme values: they are those of single people. No p values: the table
    describes groups and tests nothing (STROBE, explanation of item 14, from memory).

    Parameters
    ----------
    seen : Studied
        Cases that have begun.

    Returns
    -------
    Sourced
        One row a feature, level and group. Level ``known`` bears the statistics of a number, ``missing`` the count of
        those missing, of all; `share` of a level is of the known. Feature ``all`` counts cases, eyes, patients.
    """
    import pandas as pd

    rows: list[dict[str, Any]] = []
    sources: list[tuple[Key, Key]] = []
    counts: dict[Key, int] = {}
    groups = (ALL, *seen.groups)
    for line, n, of in _lines(seen, groups):
        counts |= {n: line["n"], of: line["of"]}
        rows.append(line)
        sources.append((n, of))
    within = tuple(_within(seen, groups, counts))
    told = units_agree(counts) | _across(seen, counts)
    told |= differences_agree(Key("cases"), _by_group(seen, Key("cases")), told.counts, among=seen.by)
    both = tuple(sources)
    return Sourced(
        pd.DataFrame(rows, columns=list(_COLUMNS)),
        {
            "n": tuple((n,) for n, _ in both),
            "of": tuple((of,) for _, of in both),
            "share": both,
            **{name: tuple((n,) for n, _ in both) for name in STATISTICS},
        },
        {**counts, **told.counts},
        (*within, *told.relations),
    )


def unit_of(name: str) -> Unit:
    """Whether a feature is counted once a patient or once a case."""
    return "patients" if name in OF_PATIENT else "cases"


def rows_of(seen: Studied, name: str, group: str) -> NDArray[Any]:
    """Positions of the cases that stand for a feature in a group: one a case, or one a patient."""
    inside = seen.inside(group)
    return seen.by_patient(inside) if unit_of(name) == "patients" else np.flatnonzero(inside)


def levels_of(name: str) -> tuple[str, ...]:
    """Levels of a category; none of a number."""
    return FEATURES[name].levels if FEATURES[name].kind == "category" else ()


def _lines(seen: Studied, groups: tuple[str, ...]) -> Iterator[tuple[dict[str, Any], Key, Key]]:
    """Each row with the keys of its count and of what it is a share of."""
    for unit, labels in (("cases", None), ("eyes", seen.eye), ("patients", seen.patient)):
        for group in groups:
            inside = seen.inside(group)
            n = int(inside.sum()) if labels is None else len(np.unique(labels[inside]))
            of = n if group == ALL else len(inside) if labels is None else len(np.unique(labels))
            yield (
                _line("all", "", unit, group, n, of),
                of_group(unit, seen.by, group),  # type: ignore[arg-type]
                Key(unit),  # type: ignore[arg-type]
            )
    for name, every in seen.features.items():
        if name == seen.by:
            continue
        unit = unit_of(name)
        for group in groups:
            values = every[rows_of(seen, name, group)]
            there: BoolArray = known(values)
            whole = of_group(unit, seen.by, group)
            told, gone = whole.and_(name, KNOWN), whole.and_(name, MISSING)
            n_known = int(there.sum())
            if not levels_of(name):
                line = _line(name, KNOWN, unit, group, n_known, len(values))
                yield {**line, **_statistics(values[there])}, told, whole
            for level in levels_of(name):
                line = _line(name, level, unit, group, int((values == level).sum()), n_known)
                yield line, whole.and_(name, level), told
            yield _line(name, MISSING, unit, group, len(values) - n_known, len(values)), gone, whole


def _line(feature: str, level: str, unit: str, group: str, n: int, of: int) -> dict[str, Any]:
    share = n / of if of else np.nan
    return {
        "feature": feature,
        "level": level,
        "unit": unit,
        "group": group,
        "n": n,
        "of": of,
        "share": share,
    }


def _statistics(values: NDArray[Any]) -> dict[str, float]:
    if not len(values):
        return dict.fromkeys(STATISTICS, np.nan)
    spread = float(values.std(ddof=1)) if len(values) > 1 else np.nan
    low, middle, high = np.quantile(values, (0.25, 0.5, 0.75)).tolist()
    return dict(zip(STATISTICS, (float(values.mean()), spread, low, middle, high), strict=True))


def _within(seen: Studied, groups: tuple[str, ...], counts: dict[Key, int]) -> Iterator[Relation]:
    """Levels of a feature add to the known, known and missing to the group."""
    for name in seen.features:
        for group in groups if name != seen.by else ():
            whole = of_group(unit_of(name), seen.by, group)
            told = whole.and_(name, KNOWN)
            counts.setdefault(told, counts[whole] - counts[whole.and_(name, MISSING)])
            yield adds_up(whole, [told, whole.and_(name, MISSING)])
            if levels_of(name):
                yield adds_up(told, [whole.and_(name, level) for level in levels_of(name)])


def _across(seen: Studied, counts: dict[Key, int]) -> Told:
    """What holds between a count of all and those of the groups."""
    told = Told()
    totals = [key for key in counts if not any(name == seen.by for name, _ in key.of)]
    for total in totals:
        told |= splits(total, _by_group(seen, total), counts, among=seen.by)
    return told


def _by_group(seen: Studied, total: Key) -> list[Key]:
    return [total.and_(seen.by, group) for group in seen.groups]
