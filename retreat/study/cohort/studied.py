"""The cases described: all that have begun, each with its features, its group and its course."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, TableError
from retreat.features import FEATURES, MISSING_CODES, features
from retreat.model.completion import is_missing
from retreat.study.cohort.keys import ALL, KNOWN, MISSING

if TYPE_CHECKING:
    import pandas as pd

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

# the two ends of the case table; 0 stands for a case not ended
ENDS = ("relieved", "stopped")
# Features of the patient and not of one eye; the others are counted by case.
OF_PATIENT = ("age",)
BASELINE = (
    "age",
    "eye",
    "opacity",
    "opacities",
    "size_mm",
    "depth",
    "eccentricity_deg",
    "cornea",
    "lens",
    "sphere_d",
    "axial_mm",
    "pupil_mm",
    "pvd",
    "relief_before",
)
# Columns besides features that cases may be told apart by.
_OTHER = ("site", "operator")
# features that say again what another says: beside it they would give its small cells away
SAME_AS = {"corneal_surgery": "cornea"}
_MOST_GROUPS = 40


@dataclass(frozen=True)
class Studied:
    """Cases that have begun.

    Parameters
    ----------
    features : dict of str to ndarray, each of shape (cases,)
        Text with None, or numbers with NaN, where missing; what belongs to the patient is the lowest known of all
        cases of the patient (the age at the first of them).
    by : str
        What they are told apart by.
    group : ndarray of str, shape (cases,)
        Group of each; ``missing`` where not known.
    groups : tuple of str
        In the order of tables.
    patient, eye : ndarray of int, shape (cases,)
        Numbered from 0.
    sessions, ending : ndarray of int, shape (cases,)
        Sessions done, and 0 still in treatment when last seen, 1 relieved, 2 stopped.
    """

    features: dict[str, NDArray[Any]]
    by: str
    group: NDArray[Any]
    groups: tuple[str, ...]
    patient: IntArray
    eye: IntArray
    sessions: IntArray
    ending: IntArray

    def inside(self, group: str) -> BoolArray:
        """Cases of a group, shape (cases,)."""
        return np.ones(len(self.group), dtype=bool) if group == ALL else np.asarray(self.group == group)

    def by_patient(self, rows: BoolArray) -> IntArray:
        """Position of one case of each patient among these."""
        chosen = np.flatnonzero(rows)
        return chosen[np.unique(self.patient[chosen], return_index=True)[1]]


def studied(cases: pd.DataFrame, *, by: str, names: Sequence[str] = BASELINE) -> Studied:
    """Cases of a checked table that have begun.

    Parameters
    ----------
    cases : DataFrame
        As from :func:`retreat.read_cases`.
    by : str
        A feature that is a category, `site` or `operator`.
    names : sequence of str
        Features to describe.

    Raises
    ------
    TableError
        If no case has begun, or a name is not allowed.
    """
    _check(by, names)
    begun = cases[cases["sessions"] >= 1].reset_index(drop=True)
    if not len(begun):
        raise TableError(
            Fault("sessions", "no case has begun", "a case of 1 or more sessions", "wait for cases")
        )
    wanted = dict.fromkeys((*names, *((by,) if by in FEATURES else ())))
    values = features(begun, tuple(wanted))
    group = _text(begun[by]) if by in _OTHER else values[by]
    group = np.array([MISSING if level is None else level for level in group], dtype=object)
    patient = begun["patient"].to_numpy(dtype=str)
    number = _numbered(patient)
    for name in set(names) & set(OF_PATIENT):
        values[name] = _lowest_known(values[name], number)
    endings = begun["ending"].to_numpy()
    return Studied(
        features={name: values[name] for name in names},
        by=by,
        group=group,
        groups=_groups(by, group),
        patient=number,
        eye=_numbered(np.char.add(np.char.add(patient, " "), begun["eye"].to_numpy(dtype=str))),
        sessions=begun["sessions"].to_numpy(dtype=np.int64),
        ending=np.select([endings == end for end in ENDS], range(1, len(ENDS) + 1), 0).astype(np.int64),
    )


def known(values: NDArray[Any]) -> BoolArray:
    """Where a feature is known."""
    return ~is_missing(values)


def told_apart_by() -> tuple[str, ...]:
    """What cases may be told apart by: features that are a category, and codes of places."""
    categories = (name for name, feature in FEATURES.items() if feature.kind == "category")
    return (*(name for name in categories if name not in SAME_AS), *_OTHER)


def _check(by: str, names: Sequence[str]) -> None:
    faults = []
    if by not in told_apart_by():
        faults.append(Fault("by", f"{by!r}", ", ".join(told_apart_by())))
    allowed = tuple(name for name in FEATURES if name not in SAME_AS)
    wrong = [name for name in names if name not in allowed]
    if wrong or not names:
        faults.append(Fault("features", ", ".join(map(repr, wrong)) or "none", ", ".join(allowed)))
    if faults:
        raise TableError(faults)


def _groups(by: str, group: NDArray[Any]) -> tuple[str, ...]:
    seen = set(group.tolist())
    order = FEATURES[by].levels if by in FEATURES else tuple(sorted(seen - {MISSING}))
    groups = (*(level for level in order if level in seen), *((MISSING,) if MISSING in seen else ()))
    if len(groups) > _MOST_GROUPS or {ALL, KNOWN} & seen:
        allowed = f"at most {_MOST_GROUPS}, none of them called {ALL} or {KNOWN}"
        raise TableError(
            Fault(by, f"{len(groups)} groups", allowed, "join groups, or tell cases apart by another")
        )
    return groups


def _lowest_known(values: NDArray[Any], patient: IntArray) -> NDArray[Any]:
    lowest = np.full(patient.max() + 1, np.inf)
    np.minimum.at(lowest, patient, np.where(np.isnan(values), np.inf, values))
    return np.where(np.isinf(lowest), np.nan, lowest)[patient]


def _text(column: pd.Series) -> NDArray[Any]:
    return np.array([None if text in MISSING_CODES else text for text in column], dtype=object)


def _numbered(labels: NDArray[Any]) -> IntArray:
    return np.unique(labels, return_inverse=True)[1].astype(np.int64)
