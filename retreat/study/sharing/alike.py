"""Patients made to look alike in what others may know of them: at least so many share every combination shown.

From above: first nothing is shown, then one column after the other is shown wherever at least `k` patients of a group
share its value (top-down specialisation; Fung, Wang and Yu 2005 [1]_). Numbers are shown as one from the middle of at
least `k` neighbours (microaggregation; Domingo-Ferrer and Mateo-Sanz 2002 [2]_). A group only ever splits into groups
of at least `k` patients, so that the rule holds at every step.

References
----------
.. [1] Fung BCM, Wang K, Yu PS. Top-down specialization for information and privacy preservation. ICDE 2005 (from
   memory). k-anonymity: Sweeney L. Int J Uncertain Fuzz 2002;10:557-570 (from memory).
.. [2] Domingo-Ferrer J, Mateo-Sanz JM. IEEE Trans Knowl Data Eng 2002;14:189-201 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from retreat.errors import Fault, TableError
from retreat.features import MISSING_CODES
from retreat.study.sharing.rule import WIDEST, Rule

if TYPE_CHECKING:
    import pandas as pd

Value = str | float
Values = tuple[Value | None, ...]  # of one column, one a case; None is missing


@dataclass(frozen=True)
class Unit:
    """All cases of one patient, or one case that stands alone.

    Parameters
    ----------
    key : str
        Shared key: settles ties, so that the order of the rows does not matter.
    person : str
        Who it is; cases that stand alone may be of one person, who counts once.
    rows : tuple of int
        Rows of the table, right eyes first.
    """

    key: str
    person: str
    rows: tuple[int, ...]


Group = list[Unit]


@dataclass(frozen=True)
class Shown:
    """What may be shown of one column, by row; None where nothing may."""

    name: str
    values: dict[int, Value | None]


def units_of(cases: pd.DataFrame, persons: list[str]) -> Group:
    """Cases by patient, in the order of the patients' keys."""
    by_patient: dict[str, list[int]] = {}
    patients = cases["patient"].tolist()
    places = zip(cases["eye"].ne("right"), cases["started"], cases["case"], range(len(cases)), strict=True)
    for *_, row in sorted(places):
        by_patient.setdefault(patients[row], []).append(row)
    return [Unit(key, persons[rows[0]], tuple(rows)) for key, rows in sorted(by_patient.items())]


def grouped_by_eyes(units: Iterable[Unit], eyes: list[str], rule: Rule) -> tuple[list[Group], list[int]]:
    """Units by which eyes they have; patients whose eyes too few share come apart into cases.

    Returns
    -------
    groups : list of list of Unit
        Each of at least `k` persons.
    alone : list of int
        Rows of cases whose patient is not told.

    Raises
    ------
    TableError
        If fewer than `k` persons have one right eye, or one left eye, and some have.
    """
    groups = _by_eyes(units, eyes)
    apart = [pattern for pattern, group in groups.items() if len(pattern) > 1 and _n(group) < rule.k]
    split = [unit for pattern in apart for unit in groups.pop(pattern)]
    single = [
        Unit(f"{unit.key} {place}", unit.person, (row,))
        for unit in split
        for place, row in enumerate(unit.rows)
    ]
    for pattern, more in _by_eyes(single, eyes).items():
        groups.setdefault(pattern, []).extend(more)
    faults = [
        Fault(
            "cases",
            f"only {_n(group)} patients with a case of one {pattern[0]} eye alone",
            f"none, or at least k = {rule.k}",
            "gather more cases, or take a smaller k",
        )
        for pattern, group in groups.items()
        if _n(group) < rule.k
    ]
    if faults:
        raise TableError(faults)
    return [groups[pattern] for pattern in sorted(groups)], [row for unit in split for row in unit.rows]


def shown_columns(cases: pd.DataFrame, groups: list[Group], rule: Rule) -> list[Shown]:
    """What may be shown of each known column.

    Parameters
    ----------
    cases : DataFrame
        `started` as years.
    groups : list of list of Unit
        From :func:`grouped_by_eyes`.
    rule : Rule
        Columns in its order.
    """
    found = []
    for name in rule.known:
        column = _column(cases, name)
        finer: list[Group] = []
        shown: dict[int, Value | None] = {}
        for group in groups:
            split = _neighbours if name in WIDEST else _shared
            for part, values in split(group, column, rule.k, WIDEST.get(name, 0.0)):
                finer.append(part)
                for unit in part:
                    shown |= dict(zip(unit.rows, values or (None,) * len(unit.rows), strict=True))
        groups = finer
        found.append(Shown(name, shown))
    return found


def smallest_group(cases: pd.DataFrame, persons: list[str], rule: Rule) -> int:
    """Fewest persons who share a combination of known columns: counted anew from the table that leaves."""
    combinations: dict[str, list[tuple[str, ...]]] = {}
    person = {}
    columns = [cases[name].astype("str").tolist() for name in ("eye", *rule.known)]
    for patient, who, *told in zip(cases["patient"], persons, *columns, strict=True):
        combinations.setdefault(patient, []).append(tuple(told))
        person[patient] = who
    sharing: dict[Hashable, set[str]] = {}
    for patient, rows in combinations.items():
        sharing.setdefault(tuple(sorted(rows)), set()).add(person[patient])
    return min(len(found) for found in sharing.values())


def _by_eyes(units: Iterable[Unit], eyes: list[str]) -> dict[tuple[str, ...], Group]:
    found: dict[tuple[str, ...], Group] = {}
    for unit in units:
        found.setdefault(tuple(eyes[row] for row in unit.rows), []).append(unit)
    return found


def _column(cases: pd.DataFrame, name: str) -> list[Value | None]:
    values: list[Value | None] = []
    for value in cases[name].tolist():
        missing = value != value or value in MISSING_CODES
        values.append(None if missing else float(value) if name in WIDEST else str(value))
    return values


def _shared(
    group: Group, column: list[Value | None], k: int, _widest: float
) -> list[tuple[Group, Values | None]]:
    """The group by its values; those of too few, and those missing, together with nothing shown."""
    by_value: dict[Values, Group] = {}
    hidden: Group = []
    for unit in group:
        values = _values(unit, column)
        (hidden if None in values else by_value.setdefault(values, [])).append(unit)
    for values in [values for values, part in by_value.items() if _n(part) < k]:
        hidden += by_value.pop(values)
    parts = [by_value[values] for values in sorted(by_value, key=str)]

    def enough(units: Group) -> bool:
        # one known word alone would tell what stands behind not_recorded
        known = {values for unit in units if None not in (values := _values(unit, column))}
        return _n(units) >= k and len(known) != 1

    parts, hidden = _enough_hidden(parts, hidden, k, enough)
    shown: list[tuple[Group, Values | None]] = [(part, _values(part[0], column)) for part in parts]
    return [*shown, (hidden, None)] if hidden else shown


def _neighbours(
    group: Group, column: list[Value | None], k: int, widest: float
) -> list[tuple[Group, Values | None]]:
    """The group in runs of neighbours, each with the number in its middle; nothing shown of wide runs."""
    known = [unit for unit in group if None not in _values(unit, column)]
    hidden = [unit for unit in group if None in _values(unit, column)]
    known.sort(key=lambda unit: (sum(_numbers(unit, column)), _numbers(unit, column), unit.key))
    runs: list[Group] = []
    run: Group = []
    for place, unit in enumerate(known):
        run.append(unit)
        last = place + 1 == len(known)
        if _n(run) >= k and (last or _numbers(unit, column) != _numbers(known[place + 1], column)):
            runs.append(run)
            run = []
    if run and runs:
        runs[-1] += run
    elif run:
        hidden += run
    narrow = [run for run in runs if _width(run, column) <= widest]
    hidden += [unit for run in runs if _width(run, column) > widest for unit in run]
    narrow, hidden = _enough_hidden(narrow, hidden, k, lambda units: _n(units) >= k)
    shown: list[tuple[Group, Values | None]] = [(run, _middle(run, column)) for run in narrow]
    return [*shown, (hidden, None)] if hidden else shown


def _enough_hidden(
    parts: list[Group], hidden: Group, k: int, enough: Callable[[Group], bool]
) -> tuple[list[Group], Group]:
    """Parts to show and units to hide, with as many more hidden as it takes.

    They come from the largest part, in the order of their keys, which is none, as long as it keeps `k` persons itself;
    else the smallest part is hidden whole.
    """
    parts, hidden = [list(part) for part in parts], list(hidden)
    while parts and hidden and not enough(hidden):
        largest = max(parts, key=_n)
        if _n(largest) > k:
            unit = min(largest, key=lambda unit: unit.key)
            largest.remove(unit)
            hidden.append(unit)
        else:
            hidden += parts.pop(parts.index(min(parts, key=_n)))
    return parts, hidden


def _middle(run: Group, column: list[Value | None]) -> Values:
    """The lower median at each place: a number that one of them has, so that it is an allowed one."""
    places = zip(*(_numbers(unit, column) for unit in run), strict=True)
    return tuple(sorted(numbers)[(len(numbers) - 1) // 2] for numbers in places)


def _width(run: Group, column: list[Value | None]) -> float:
    places = list(zip(*(_numbers(unit, column) for unit in run), strict=True))
    return float(np.max(np.ptp(places, axis=1)))


def _values(unit: Unit, column: list[Value | None]) -> Values:
    return tuple(column[row] for row in unit.rows)


def _numbers(unit: Unit, column: list[Value | None]) -> tuple[float, ...]:
    return tuple(float(column[row] or 0.0) for row in unit.rows)


def _n(group: Group) -> int:
    return len({unit.person for unit in group})
