"""From a checked case table and a definition to what a fit needs: coded columns, courses, groups, case mix."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from retreat import features as feature_floor
from retreat.coding import Coding, learn
from retreat.definitions import LAST_SESSION, Definition
from retreat.errors import Fault, FitError
from retreat.model import casemix, support
from retreat.model.card import ModelCard
from retreat.model.completion import is_missing
from retreat.tables import as_cases
from retreat.version import VERSION

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# the feature that others hang on most: sheets are large, rings small (common practice)
_PIVOT = "opacity"


@dataclass(frozen=True)
class Design:
    """Cases ready for a fit; it lives only while fitting and is never saved.

    Parameters
    ----------
    definition : Definition
        What is fitted.
    coding : Coding
        Coding with the knots of these cases.
    X : ndarray of float, shape (cases, columns)
        Coded cases, none missing.
    sessions, ending : ndarray of int, shape (cases,)
        Last session and how it ended (0 still in treatment, 1..K the definition's ends).
    patient, operator : ndarray of int, shape (cases,)
        Numbered from 0 without holes; a missing operator shares one number.
    stratum : ndarray of int, shape (cases,)
        Position in `strata`; zeros without strata.
    strata : tuple of str
        Levels of the definition's strata feature that were seen.
    features : mapping of str to ndarray
        Features of the fitted cases, for case mix and support.
    n_left_out : int
        Cases left out for a missing feature or because they have not begun.
    notes : tuple of str
        What was left out or cannot be told, in words.
    years : tuple of int
        First and last year of first sessions.
    invented : bool
        Whether the table is invented.
    fingerprint : str
        SHA-256 of the coded cases.
    """

    definition: Definition
    coding: Coding
    X: FloatArray
    sessions: IntArray
    ending: IntArray
    patient: IntArray
    operator: IntArray
    stratum: NDArray[np.intp]
    strata: tuple[str, ...]
    features: Mapping[str, NDArray[Any]]
    n_left_out: int
    notes: tuple[str, ...]
    years: tuple[int, ...]
    invented: bool
    fingerprint: str

    @property
    def n_ends(self) -> int:
        """How many ends the definition tells apart."""
        return len(self.definition.ends)

    @property
    def n_operators(self) -> int:
        """How many operators the fitted cases have."""
        return int(self.operator.max()) + 1

    @property
    def n_patients(self) -> int:
        """How many patients the fitted cases have."""
        return int(self.patient.max()) + 1

    def case_mix(self) -> casemix.CaseMix:
        """Distribution of the model's features."""
        return casemix.learn({name: self.features[name] for name in self.definition.features}, pivot=_PIVOT)

    def support(self) -> support.Support:
        """Counts and ranges of the fitted cases."""
        logged = tuple(f for term in self.definition.terms if term.form == "log" for f in term.features)
        return support.learn(self.features, self.definition.likeness, self.sessions, logged=logged)

    def _supported_session(self) -> int:
        reached = np.sort(self.sessions)[::-1]
        # the session that the last of the cases asked for still reached
        asked = max(self.definition.sessions.pool_below, 1)
        return int(reached[min(asked, len(reached)) - 1])

    def card(
        self,
        *,
        method: str,
        seed: int,
        failures: tuple[str, ...] = (),
        notes: tuple[str, ...] = (),
        diagnostics: Mapping[str, float] | None = None,
    ) -> ModelCard:
        """Card of a model fitted to these cases."""
        from datetime import UTC, datetime

        ended = {end: int((self.ending == j).sum()) for j, end in enumerate(self.definition.ends, start=1)}
        first = self.definition.ends[0]
        if not ended[first]:
            failures = (f"no fitted case ended {first}: nothing was learned of it", *failures)
        return ModelCard(
            name=self.definition.name,
            title=self.definition.title,
            method=method,
            ends=self.definition.ends,
            retreat_version=VERSION,
            created=datetime.now(UTC).date().isoformat(),
            n_cases=len(self.sessions),
            n_patients=self.n_patients,
            n_left_out=self.n_left_out,
            n_ended=ended,
            max_session=int(self.sessions.max()),
            supported_session=self._supported_session(),
            last_session=LAST_SESSION[self.definition.outcome] or 0,
            years=self.years,
            seed=seed,
            invented=self.invented,
            failures=failures,
            notes=(*self.notes, *notes),
            diagnostics={key: float(value) for key, value in (diagnostics or {}).items()},
            data_fingerprint=self.fingerprint,
            definition_fingerprint=self.definition.fingerprint,
            basis=(self.definition.basis,) if self.definition.basis else (),
        )


@dataclass(frozen=True)
class CaseData:
    """A checked case table read once for a definition, so that many samples of it can be fitted.

    Parameters
    ----------
    definition : Definition
        What is fitted.
    features : mapping of str to ndarray, each of shape (cases,)
        Features of the definition and of likeness, missing ones None or NaN.
    begun : ndarray of bool, shape (cases,)
        Whether a case has had a session.
    sessions, ending : ndarray of int, shape (cases,)
        Outcome as for :class:`Design`; of no meaning for cases not begun.
    patient, operator, started : ndarray of str, shape (cases,)
        As in the table.
    invented : bool
        Whether the table is invented.
    """

    definition: Definition
    features: Mapping[str, NDArray[Any]]
    begun: NDArray[np.bool_]
    sessions: IntArray
    ending: IntArray
    patient: NDArray[Any]
    operator: NDArray[Any]
    started: NDArray[Any]
    invented: bool

    @property
    def complete(self) -> NDArray[np.bool_]:
        """Cases that have begun and have every feature of the definition, shape (cases,)."""
        missing = [is_missing(self.features[name]) for name in self.definition.features]
        return np.asarray(self.begun & ~np.logical_or.reduce([np.zeros(len(self.begun), bool), *missing]))

    def rows(self, chosen: NDArray[Any]) -> CaseData:
        """Some cases; a position may come several times."""
        return replace(
            self,
            features={name: values[chosen] for name, values in self.features.items()},
            **{
                name: getattr(self, name)[chosen]
                for name in ("begun", "sessions", "ending", "patient", "operator", "started")
            },
        )

    def design(self) -> Design:
        """Design of these cases; see :func:`design`."""
        definition = self.definition
        missing = {name: is_missing(self.features[name]) & self.begun for name in definition.features}
        complete = self.complete
        sessions, ending = self.sessions[complete], self.ending[complete]
        _check_columns(missing, self.begun, definition)
        _check_gates(ending, len(self.begun), missing, definition)
        kept = {name: values[complete] for name, values in self.features.items()}
        coding = learn(definition.terms, kept)
        X = coding.encode(kept, n_cases=int(complete.sum()))
        strata, stratum = _strata(kept, definition)
        return Design(
            definition=definition,
            coding=coding,
            X=X,
            sessions=sessions,
            ending=ending,
            patient=_codes(self.patient[complete]),
            operator=_codes(self.operator[complete]),
            stratum=stratum,
            strata=strata,
            features=kept,
            n_left_out=int(len(complete) - complete.sum()),
            notes=(
                *_left_out_notes(self.begun, missing),
                *_constant_notes(kept, definition),
                *_end_notes(ending, definition),
            ),
            years=_years(self.started[complete]),
            invented=self.invented,
            fingerprint=fingerprint_of(X, sessions, ending, stratum),
        )


def read_data(cases: pd.DataFrame, definition: Definition) -> CaseData:
    """Check a case table and take from it what a definition needs.

    Parameters
    ----------
    cases : DataFrame
        A `cases` table; it is checked.
    definition : Definition
        What to fit.

    Raises
    ------
    TableError
        If the table is refused.
    """
    cases = as_cases(cases)
    wanted = tuple(dict.fromkeys((*definition.features, *definition.likeness)))
    sessions, ending = outcome(cases, definition)
    return CaseData(
        definition=definition,
        features=feature_floor.features(cases, wanted),
        begun=cases["sessions"].to_numpy() >= 1,
        sessions=sessions,
        ending=ending,
        patient=cases["patient"].to_numpy(dtype=str),
        operator=cases["operator"].to_numpy(dtype=str),
        started=cases["started"].to_numpy(),
        invented=bool(cases.attrs["invented"]),
    )


def design(cases: pd.DataFrame, definition: Definition) -> Design:
    """Design of a case table under a definition.

    Cases with a missing feature of the definition are left out and counted (complete cases: right when
    missingness does not depend on the course given the features); so are cases not yet begun.

    Parameters
    ----------
    cases : DataFrame
        A `cases` table; it is checked.
    definition : Definition
        What to fit.

    Raises
    ------
    TableError
        If the table is refused.
    FitError
        If too few cases, or ended cases, are left for the definition's gates.
    """
    return read_data(cases, definition).design()


def outcome(cases: pd.DataFrame, definition: Definition) -> tuple[IntArray, IntArray]:
    """Last session and ending (0 still in treatment, 1..K the definition's ends) of begun cases."""
    sessions = cases["sessions"].to_numpy(dtype=np.int64)
    words = cases["ending"].to_numpy()
    last = LAST_SESSION[definition.outcome]
    if last is None:
        ending = np.select([words == end for end in definition.ends], range(1, len(definition.ends) + 1), 0)
        return sessions, ending.astype(np.int64)
    ended = (sessions <= last) & (words != "ongoing")
    return np.minimum(sessions, last), ended.astype(np.int64)


def _check_columns(
    missing: Mapping[str, NDArray[np.bool_]], begun: NDArray[np.bool_], definition: Definition
) -> None:
    """Refuse a table in which no case bears a feature of the definition: more cases would not help."""
    faults = []
    for name, gone in missing.items():
        if not begun.any() or not gone[begun].all():
            continue
        columns = " or ".join(feature_floor.FEATURES[name].needs)
        what = (
            f"not known in any of {int(begun.sum())} cases: {columns} is not in the table, or never recorded"
        )
        fix = f"add what is lacking, or fit a definition without {name}, such as lifetable"
        faults.append(Fault(name, what, f"a value for each case of {definition.name}", fix))
    if faults:
        raise FitError(faults)


def _check_gates(
    ending: IntArray, n_cases: int, missing: Mapping[str, NDArray[np.bool_]], definition: Definition
) -> None:
    n, n_ended = len(ending), int((ending > 0).sum())
    gates = definition.gates
    worst = max(missing, key=lambda name: missing[name].sum(), default="")
    faults = []
    if n < gates.min_cases:
        lost = f"; {worst} is missing in {missing[worst].sum()}" if worst and missing[worst].any() else ""
        faults.append(
            Fault(
                "cases",
                f"{n} complete cases of {n_cases}{lost}",
                f"at least {gates.min_cases} for {definition.name}",
                "collect more cases or use the life table. " + gates.why,
            )
        )
    if n_ended < gates.min_ended:
        faults.append(
            Fault(
                "ending",
                f"{n_ended} cases have ended",
                f"at least {gates.min_ended} for {definition.name}",
                "wait for more courses to end",
            )
        )
    if faults:
        raise FitError(faults)


def _strata(
    kept: Mapping[str, NDArray[Any]], definition: Definition
) -> tuple[tuple[str, ...], NDArray[np.intp]]:
    if not definition.strata:
        size = len(next(iter(kept.values()))) if kept else 0
        return (), np.zeros(size, dtype=np.intp)
    values = kept[definition.strata]
    order = feature_floor.FEATURES[definition.strata].levels
    seen = tuple(level for level in order if (values == level).any())
    return seen, np.array([seen.index(v) for v in values], dtype=np.intp)


def _left_out_notes(begun: NDArray[np.bool_], missing: Mapping[str, NDArray[np.bool_]]) -> tuple[str, ...]:
    notes = [f"{int((~begun).sum())} cases not yet begun were left out"] if (~begun).any() else []
    notes += [
        f"{name} was missing in {int(gone.sum())} cases, left out"
        for name, gone in missing.items()
        if gone.any()
    ]
    return tuple(notes)


def _constant_notes(kept: Mapping[str, NDArray[Any]], definition: Definition) -> tuple[str, ...]:
    return tuple(
        f"{name} has one value in these cases: its effect is what the prior or penalty says"
        for name in definition.features
        if len(set(kept[name].tolist())) == 1 and name != definition.strata
    )


def _end_notes(ending: IntArray, definition: Definition) -> tuple[str, ...]:
    return tuple(
        f"no case ended {end}: its share is the prior's, or 0 without one, and its effects are not estimated"
        for j, end in enumerate(definition.ends, start=1)
        if not (ending == j).any()
    )


def _codes(values: NDArray[Any]) -> IntArray:
    return np.unique(values, return_inverse=True)[1].astype(np.int64)


def _years(started: NDArray[Any]) -> tuple[int, ...]:
    years = [int(str(text)[:4]) for text in started if str(text)[:4].isdigit()]
    return (min(years), max(years)) if years else ()


def fingerprint_of(X: FloatArray, sessions: IntArray, ending: IntArray, stratum: NDArray[Any]) -> str:
    """SHA-256 of coded cases, the same however the table is sorted.

    Parameters
    ----------
    X : ndarray of float, shape (cases, columns)
        Coded cases.
    sessions, ending, stratum : ndarray of int, shape (cases,)
        Outcome and stratum.

    Examples
    --------
    >>> import numpy as np
    >>> X, s, e = np.array([[1.0], [2.0]]), np.array([1, 3]), np.array([1, 0])
    >>> one = fingerprint_of(X, s, e, 0 * s)
    >>> one == fingerprint_of(X[::-1], s[::-1], e[::-1], 0 * s), one == fingerprint_of(X, s[::-1], e, 0 * s)
    (True, False)
    """
    whole = np.column_stack([X, sessions, ending, stratum]).astype(float)
    # rows in the order of one number each: equal rows have equal numbers, others by no chance
    number = whole @ np.random.default_rng(1).standard_normal(whole.shape[1])
    return hashlib.sha256(whole[np.argsort(number, kind="stable")].tobytes()).hexdigest()
