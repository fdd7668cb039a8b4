"""What might be unlike the model: numbers of a clinic, each held against the same number in replicated clinics."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from retreat.checks.curves import last_told
from retreat.checks.replication import Clinics
from retreat.checks.tails import range_of, two_sided
from retreat.features import FEATURES
from retreat.fitting.posterior import Posterior
from retreat.model.support import SMALL_CELL

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Group = Literal["session by session", "by kind of opacity", "telling eyes apart", "length"]
# number of each clinic from its sessions and endings, (clinics, cases) each
Number = Callable[[IntArray, IntArray], FloatArray]

# tails from which a number is worth a look, and speaks against the model [our judgement]
WORTH_A_LOOK, AGAINST = 0.05, 0.01
_LATE = 3


@dataclass(frozen=True)
class Discrepancy:
    """One number of the clinic beside the same number in replicated clinics.

    Parameters
    ----------
    group : str
        What it is about.
    what : str
        The number, in words.
    n : int
        Cases behind it.
    observed : float
        As seen.
    low, high : float
        Range of the replicated clinics.
    p : float
        Posterior predictive p-value: twice the smaller tail of the replicated numbers (Gelman, Meng and Stern 1996,
        from memory). Small where the clinic is unlike the model. It is cautious, since the model was fitted to the
        same clinic: of 1,634 numbers of 60 clinics of 150 cases that followed the model, 1 was below 0.05 and none
        below 0.01 (the tests of this package repeat a part of it).
    """

    group: Group
    what: str
    n: int
    observed: float
    low: float
    high: float
    p: float

    @property
    def reading(self) -> str:
        """What the p-value says, in words."""
        if self.p != self.p:
            return "not told"
        if self.p >= WORTH_A_LOOK:
            return "as the model says"
        side = "more" if self.observed > (self.low + self.high) / 2 else "less"
        if self.p >= AGAINST:
            return f"{side}: worth a look"
        return f"{side} than the model says"


@dataclass(frozen=True)
class Discrepancies:
    """All numbers looked at.

    Parameters
    ----------
    rows : tuple of Discrepancy
        The numbers.
    n_clinics : int
        Clinics replicated.
    level : float
        Share of them within each range.
    """

    rows: tuple[Discrepancy, ...]
    n_clinics: int
    level: float

    @property
    def against(self) -> tuple[Discrepancy, ...]:
        """Numbers that speak against the model, worst first."""
        return tuple(sorted((r for r in self.rows if r.p < AGAINST), key=lambda row: row.p))


def discrepancies(posterior: Posterior, clinics: Clinics, *, level: float) -> Discrepancies:
    """Hold the clinic of a posterior against clinics replicated from it.

    Looked at: the share that ends in each way at each session, of those who had it; sessions had and how courses
    ended by kind of opacity; how far eyes are told apart at the first sessions and later; the longest course; how
    unlike the two eyes of a patient are. Numbers of fewer than 11 cases are left out.

    Parameters
    ----------
    posterior : Posterior
        Of the cases.
    clinics : Clinics
        Replicated from it.
    level : float in (0, 1)
        Share of the clinics within the ranges told.
    """
    design = posterior.design
    rows = []
    for group, what, n, number in _numbers(posterior):
        observed = float(number(design.sessions[None], design.ending[None])[0])
        foreseen = number(clinics.sessions, clinics.ending)
        p = two_sided(observed, foreseen)
        rows.append(Discrepancy(group, what, n, observed, *range_of(foreseen, level), p))
    return Discrepancies(tuple(rows), len(clinics), level)


def _numbers(posterior: Posterior) -> Iterator[tuple[Group, str, int, Number]]:
    design = posterior.design
    everyone = np.arange(len(design.sessions))
    ends = design.definition.ends
    last = last_told(design.sessions)
    for j, end in enumerate(_words(ends)):
        for k in range(1, last + 1):
            n = int((design.sessions >= k).sum())
            yield (
                "session by session",
                f"{end} at session {k}, of those who had it",
                n,
                partial(_share_at, end=j + 1, session=k),
            )
    kinds = design.features.get("opacity")
    if kinds is not None:
        for kind in FEATURES["opacity"].levels:
            cases = np.flatnonzero(kinds == kind)
            if len(cases) < SMALL_CELL:
                continue
            yield "by kind of opacity", f"{kind}: sessions had", len(cases), partial(_mean, cases=cases)
            for j, end in enumerate(_words(ends)):
                yield (
                    "by kind of opacity",
                    f"{kind}: {end}, of all",
                    len(cases),
                    partial(_share, cases=cases, end=j + 1),
                )
    if design.X.shape[1]:
        ease = design.X @ posterior.coefficients[:, 0].mean(axis=0)
        n_late = int((design.sessions >= _LATE).sum())
        lead = f"lead in log odds of those {_words(ends)[0]}"
        at_first = partial(_lead, ease=ease, first=1, last=1)
        yield "telling eyes apart", f"{lead}, at session 1", len(everyone), at_first
        if n_late >= SMALL_CELL:
            later = partial(_lead, ease=ease, first=_LATE, last=None)
            lost = partial(_lost, at_first, later)
            yield "telling eyes apart", f"{lead}, from session {_LATE} on", n_late, later
            yield "telling eyes apart", f"{lead}, lost by session {_LATE}", n_late, lost
    yield "length", "longest course", len(everyone), _longest
    first_eye, second_eye = _pairs(design.patient)
    if len(first_eye) >= SMALL_CELL:
        what = "difference in sessions between two eyes of a patient"
        yield (
            "length",
            what,
            2 * len(first_eye),
            partial(_between_eyes, first_eye=first_eye, second_eye=second_eye),
        )


def _words(ends: tuple[str, ...]) -> list[str]:
    return [end.replace("_", " ") for end in ends]


def _share_at(sessions: IntArray, ending: IntArray, *, end: int, session: int) -> FloatArray:
    at_risk = (sessions >= session).sum(axis=1)
    ended = ((ending == end) & (sessions == session)).sum(axis=1)
    return np.asarray(np.divide(ended, at_risk, out=np.full(len(sessions), np.nan), where=at_risk > 0))


def _mean(sessions: IntArray, ending: IntArray, *, cases: IntArray) -> FloatArray:
    return np.asarray(sessions[:, cases].mean(axis=1))


def _share(sessions: IntArray, ending: IntArray, *, cases: IntArray, end: int) -> FloatArray:
    return np.asarray((ending[:, cases] == end).mean(axis=1))


def _lead(
    sessions: IntArray, ending: IntArray, *, ease: FloatArray, first: int, last: int | None
) -> FloatArray:
    """How far, in log odds foreseen, those who ended first lie above all who had the session, averaged over them.

    It shrinks in later sessions if eyes differ in ways the model does not know: by then those left are hard whatever
    was foreseen.
    """
    total, n = np.zeros(len(sessions)), np.zeros(len(sessions))
    for k in range(first, (last or int(sessions.max())) + 1):
        had = sessions >= k
        n_had = had.sum(axis=1)
        mean = np.divide(had @ ease, n_had, out=np.zeros(len(sessions)), where=n_had > 0)
        ended = (sessions == k) & (ending == 1)
        n_ended = ended.sum(axis=1)
        total += ended @ ease - n_ended * mean
        n += n_ended
    return np.asarray(np.divide(total, n, out=np.full(len(sessions), np.nan), where=n > 0))


def _lost(at_first: Number, later: Number, sessions: IntArray, ending: IntArray) -> FloatArray:
    return at_first(sessions, ending) - later(sessions, ending)


def _longest(sessions: IntArray, ending: IntArray) -> FloatArray:
    return np.asarray(sessions.max(axis=1), dtype=float)


def _between_eyes(
    sessions: IntArray, ending: IntArray, *, first_eye: IntArray, second_eye: IntArray
) -> FloatArray:
    return np.asarray(np.abs(sessions[:, first_eye] - sessions[:, second_eye]).mean(axis=1))


def _pairs(patient: IntArray) -> tuple[IntArray, IntArray]:
    """First and second case of each patient who has two or more."""
    order = np.argsort(patient, kind="stable")
    start = np.flatnonzero(np.diff(patient[order], prepend=-1))
    several = start[np.diff(np.append(start, len(patient))) > 1]
    return order[several].astype(np.int64), order[several + 1].astype(np.int64)
