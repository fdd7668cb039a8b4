"""A practice's cases seen by a saved model: coded as the model codes, those it cannot judge left out and counted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat import features as feature_floor
from retreat.definitions.definition import ENDS, LAST_SESSION
from retreat.errors import Fault, FitError
from retreat.fitting.design import fingerprint_of
from retreat.model import Model
from retreat.model.completion import is_missing, take
from retreat.tables import as_cases

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Practice:
    """Cases of a practice that a model can judge; it lives only while updating and is never saved.

    Parameters
    ----------
    X : ndarray of float, shape (cases, columns)
        Cases coded as the model codes, none missing.
    sessions, ending : ndarray of int, shape (cases,)
        Last session and how it ended (0 still in treatment, 1..K the model's ends).
    patient : ndarray of int, shape (cases,)
        Numbered from 0 without holes.
    row : ndarray of int, shape (cases,)
        Position of each case in the table.
    features : mapping of str to ndarray, each of shape (cases,)
        Features of the model.
    left_out : tuple of str
        What was left out and why, in words.
    n_left_out : int
        Cases left out, but for those that started before the day asked for.
    years : tuple of int
        First and last year of first sessions.
    invented : bool
        Whether the table is invented.
    earliest : str
        First day on which any of them can have started; empty where that is not known of all.
    """

    X: FloatArray
    sessions: IntArray
    ending: IntArray
    patient: IntArray
    row: IntArray
    features: Mapping[str, NDArray[Any]]
    left_out: tuple[str, ...]
    n_left_out: int
    years: tuple[int, ...]
    invented: bool
    earliest: str = ""

    @property
    def n_cases(self) -> int:
        """How many cases."""
        return len(self.sessions)

    @property
    def n_patients(self) -> int:
        """How many patients."""
        return int(self.patient.max()) + 1

    def n_ended(self, n_ends: int) -> IntArray:
        """Cases ended in each way, shape (ends,)."""
        return np.bincount(self.ending, minlength=n_ends + 1)[1:].astype(np.int64)

    @property
    def fingerprint(self) -> str:
        """SHA-256 of the coded cases, as the card of a model fitted to them would bear it, in any order."""
        return fingerprint_of(self.X, self.sessions, self.ending, np.zeros(self.n_cases, dtype=np.intp))

    def rows(self, chosen: NDArray[np.bool_]) -> Practice:
        """Some of the cases, patients numbered anew."""
        return replace(
            self,
            X=self.X[chosen],
            sessions=self.sessions[chosen],
            ending=self.ending[chosen],
            patient=np.unique(self.patient[chosen], return_inverse=True)[1].astype(np.int64),
            row=self.row[chosen],
            features=take(dict(self.features), chosen),
        )


def read_practice(model: Model, cases: pd.DataFrame, *, since: str | None = None) -> Practice:
    """The cases of a table that a model can judge.

    Left out and counted: cases not begun, cases with a missing feature of the model, and cases outside what the model
    saw (a level no fitted case had, a number far from all of them).

    Parameters
    ----------
    model : Model
        A saved model.
    cases : DataFrame
        A `cases` table; it is checked.
    since : str, optional
        ISO date or year: only cases that started on it or later, for sure, are used.

    Raises
    ------
    TableError
        If the table is refused.
    FitError
        If `since` is no date, the cases are no table, the model is of an unknown outcome, no case is left, all are of
        one patient, or none has ended.
    """
    if not hasattr(cases, "columns"):
        raise FitError(Fault("cases", f"a {type(cases).__name__}", "a DataFrame", "use retreat.read_cases"))
    last = last_session_of(model)
    table = as_cases(cases)
    sessions, ending = _outcome(table, model, last)
    seen = (*model.support.ranges, *model.support.levels, *model.support.edges)
    needed = tuple(dict.fromkeys((*model.coding.features, *_stratum(model))))
    found = feature_floor.features(table, dict.fromkeys((*needed, *seen)))
    started = table["started"].to_numpy(dtype=str)
    began = table["sessions"].to_numpy() >= 1
    begun = began & _on_or_after(started, since)
    missing = {name: is_missing(found[name]) & begun for name in needed}
    complete = begun & ~np.logical_or.reduce([np.zeros(len(table), bool), *missing.values()])
    support = model.support.of(found, np.zeros(len(table), dtype=np.int64))
    outside = np.array([bool(one.refusals) for one in support], dtype=bool) & complete
    kept = complete & ~outside
    why = (
        *_not_begun(int((~began).sum())),
        *_before(int((began & ~begun).sum()), since),
        *(f"{_cases(int(gone.sum()))} without {name}" for name, gone in missing.items() if gone.any()),
        *_refused(support[i].refusals for i in np.flatnonzero(outside)),
    )
    _check(kept, ending[kept], table["patient"].to_numpy()[kept], why, model)
    features = take({name: found[name] for name in needed}, kept)
    return Practice(
        X=model.coding.encode(features, n_cases=int(kept.sum())),
        sessions=sessions[kept],
        ending=ending[kept],
        patient=np.unique(table["patient"].to_numpy(dtype=str)[kept], return_inverse=True)[1].astype(
            np.int64
        ),
        row=np.flatnonzero(kept),
        features=features,
        left_out=why,
        n_left_out=int(len(table) - kept.sum() - (began & ~begun).sum()),
        years=_years(started[kept]),
        invented=bool(table.attrs["invented"]),
        earliest=_earliest(started[kept]),
    )


def last_session_of(model: Model) -> int | None:
    """Largest session the model's outcome looks at; None is the whole course.

    Raises
    ------
    FitError
        If no outcome of this package has the model's ends.
    """
    for outcome, ends in ENDS.items():
        if ends == model.ends and (LAST_SESSION[outcome] or 0) == model.card.last_session:
            return LAST_SESSION[outcome]
    known = "; ".join(", ".join(ends) for ends in ENDS.values())
    what = f"a model of {', '.join(model.ends)} to session {model.card.last_session or 'the last'}"
    raise FitError(Fault("model", what, known, "a case table says nothing of this outcome"))


def _outcome(table: pd.DataFrame, model: Model, last: int | None) -> tuple[IntArray, IntArray]:
    sessions = table["sessions"].to_numpy(dtype=np.int64)
    words = table["ending"].to_numpy()
    if last is None:
        ending = np.select([words == end for end in model.ends], range(1, len(model.ends) + 1), 0)
        return sessions, ending.astype(np.int64)
    return np.minimum(sessions, last), ((sessions <= last) & (words != "ongoing")).astype(np.int64)


def _check(
    kept: NDArray[np.bool_], ending: IntArray, patient: NDArray[Any], why: tuple[str, ...], model: Model
) -> None:
    lost = f" ({'; '.join(why)} left out)" if why else ""
    if not kept.any():
        what = f"none of {_cases(len(kept))} can be judged by this model{lost}"
        fix = "record what is missing, or fit a model of the practice's own"
        raise FitError(Fault("cases", what, "complete cases within what the model saw", fix))
    if not (ending > 0).any():
        what = f"none of {_cases(len(ending))} has ended{lost}: nothing tells whether {model.card.name} is right here"
        raise FitError(Fault("ending", what, "cases that ended", "wait for courses to end"))
    if len(set(patient.tolist())) < 2:
        raise FitError(
            Fault("patient", "all cases are of one patient", "at least 2 patients", "collect more cases")
        )


def _stratum(model: Model) -> tuple[str, ...]:
    return (model.stratum_feature,) if model.stratum_feature else ()


def _not_begun(n: int) -> tuple[str, ...]:
    return (f"{_cases(n)} not yet begun",) if n else ()


def _before(n: int, since: str | None) -> tuple[str, ...]:
    return (f"{_cases(n)} not known to have started on {since} or later",) if n else ()


def _on_or_after(started: NDArray[Any], since: str | None) -> NDArray[np.bool_]:
    """Whether each case started on a day or later for sure: a bare year is its first day."""
    if since is None:
        return np.ones(len(started), dtype=bool)
    first = _first_day(since) if isinstance(since, str) else ""
    if not first:
        fix = "write it as in the case table"
        raise FitError(Fault("since", f"{since!r}", "a date such as 2026-07-01, or a year", fix))
    return np.array([_first_day(text) >= first for text in started], dtype=bool)


def _first_day(text: str) -> str:
    """First day that a date or year can mean, such as 2026-01-01; empty where it is neither."""
    whole = f"{text}-01-01" if len(text) == 4 else text
    try:
        return date.fromisoformat(whole).isoformat() if len(whole) == 10 else ""
    except ValueError:
        return ""


def _earliest(started: NDArray[Any]) -> str:
    days = [_first_day(text) for text in started]
    return min(days) if all(days) else ""


def _refused(refusals: Iterable[tuple[str, ...]]) -> tuple[str, ...]:
    """Reasons with their counts: levels by name, numbers by feature and without the value of any patient."""
    reasons: Counter[str] = Counter()
    for one in refusals:
        for text in one:
            level = text.startswith("no fitted case has ")
            reasons[text if level else f"{text.split(' ')[0]} far outside what the model saw"] += 1
    return tuple(f"{_cases(n)}: {reason}" for reason, n in sorted(reasons.items()))


def _cases(n: int) -> str:
    return f"{n} case" if n == 1 else f"{n} cases"


def _years(started: NDArray[Any]) -> tuple[int, ...]:
    years = [int(str(text)[:4]) for text in started if str(text)[:4].isdigit()]
    return (min(years), max(years)) if years else ()
