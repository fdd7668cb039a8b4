"""A checked definition: what is predicted, its terms for the coding, its priors as arrays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.coding import Coding, Term
from retreat.definitions.entries import Gates, Groups, Outcome, Sessions, TermEntry, Verdict
from retreat.definitions.histories import HistoryEntry
from retreat.definitions.studies import BetweenStudies, Kind, LeftOut, Study
from retreat.hazard import Link

FloatArray = NDArray[np.float64]

# ends of each outcome, in the order of every array
ENDS: Mapping[str, tuple[str, ...]] = {
    "course": ("relieved", "stopped"),
    "second_session": ("one_session",),
}
# largest session an outcome looks at; None is the whole course
LAST_SESSION: Mapping[str, int | None] = {"course": None, "second_session": 1}


@dataclass(frozen=True)
class Definition:
    """A model definition, checked; `entries` holds the file's words, `terms` what the coding needs.

    Parameters
    ----------
    name, title, purpose : str
        What it is called and for.
    outcome : {"course", "second_session"}
        Whole course with two competing ends, or only whether the first session is the last.
    link : {"logit", "cloglog"}
        Link of the hazards.
    sessions : Sessions
        Session effects and their priors.
    strata : str
        Feature that splits a life table; empty for a regression.
    pseudo_cases : float
        Weight, in cases, of the all-kinds table inside each stratum of a life table.
    terms : tuple of Term
        Terms for the coding.
    entries : tuple of TermEntry
        Terms with their reasons and priors.
    groups : Groups
        Priors of operator and patient spread.
    gates : Gates
        Least numbers.
    verdict : Verdict
        Limits of the verdict on a validated model.
    likeness : mapping of str to tuple of float
        Features that define "cases like this one", with band edges.
    references : tuple of str
        Sources.
    fingerprint : str
        SHA-256 of the file.
    kinds : tuple of Kind
        The eyes that published results are about; empty without any.
    between_studies : BetweenStudies or None
        How far practices differ.
    studies : tuple of Study
        Published results of groups of eyes.
    left_out : tuple of LeftOut
        Published results that are not used, with reasons.
    basis : str
        What every output of a fitted model must say its priors come from; empty where they need no word.
    history : HistoryEntry or None
        How what the sessions of a course showed enters the forecast; None where it does not.
    """

    name: str
    title: str
    purpose: str
    outcome: Outcome
    link: Link
    sessions: Sessions
    strata: str
    pseudo_cases: float
    terms: tuple[Term, ...]
    entries: tuple[TermEntry, ...]
    groups: Groups
    gates: Gates
    verdict: Verdict
    likeness: Mapping[str, tuple[float, ...]]
    references: tuple[str, ...]
    fingerprint: str
    kinds: tuple[Kind, ...] = ()
    between_studies: BetweenStudies | None = None
    studies: tuple[Study, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    basis: str = ""
    history: HistoryEntry | None = None

    @property
    def ends(self) -> tuple[str, ...]:
        """Ways a course can end under this outcome."""
        return ENDS[self.outcome]

    @property
    def features(self) -> tuple[str, ...]:
        """Features the model needs, each once."""
        names = [f for term in self.terms for f in term.features]
        return tuple(dict.fromkeys((*names, *((self.strata,) if self.strata else ()))))

    def coefficient_priors(self, coding: Coding) -> tuple[FloatArray, FloatArray]:
        """Prior mean and standard deviation of each coefficient, two arrays of shape (ends, columns)."""
        shape = (len(self.ends), len(coding.names))
        mean, sd = np.zeros(shape), np.ones(shape)
        names = coding.names
        for position, entry in enumerate(self.entries):
            for column in coding.columns_of(position):
                for prior in entry.prior:
                    if prior.level and not _is_of_level(names[column], prior.level):
                        continue
                    rows = [e for e, end in enumerate(self.ends) if prior.end in ("", end)]
                    mean[rows, column], sd[rows, column] = prior.mean, prior.sd
        return mean, sd

    def first_session_priors(self) -> tuple[FloatArray, FloatArray]:
        """Prior mean and standard deviation of the first session's effect, two arrays of shape (ends,)."""
        mean, sd = np.zeros(len(self.ends)), np.full(len(self.ends), 1.5)
        for prior in self.sessions.first:
            rows = [e for e, end in enumerate(self.ends) if prior.end in ("", end)]
            mean[rows], sd[rows] = prior.mean, prior.sd
        return mean, sd


def _is_of_level(column: str, level: str) -> bool:
    """Whether a column, or a factor of an interaction's column, is the indicator of the level."""
    return any(factor.endswith(f"={level}") for factor in column.split(" x "))
