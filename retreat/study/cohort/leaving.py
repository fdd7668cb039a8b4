"""Cases by the session they were last seen at and how they stood then: all that life tables need."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.study.cohort.keys import ALL, Key, of_group
from retreat.study.cohort.studied import ENDS, IntArray, Studied
from retreat.study.suppression.linked import Relation, adds_up
from retreat.validation.schemes.resampling import bootstrap_weights

FloatArray = NDArray[np.float64]
# how a case may stand: still in treatment when last seen, or ended
STANDING = ("ongoing", *ENDS)
# resamples made at a time: bounds memory; the numbers depend on it no more than on the seed
_AT_A_TIME = 100


@dataclass(frozen=True)
class Leaving:
    """Cases of each kind by last session and standing, of all patients and of bootstrap samples of them.

    Parameters
    ----------
    by : str
        What the kinds are.
    kinds : tuple of str
        ``all`` first.
    counts : ndarray of float, shape (kinds, standings, horizon + 1)
        Cases last seen at each session, standings in the order of :data:`STANDING`; the last entry holds those
        that had more than `horizon` sessions.
    resampled : ndarray of float, shape (resamples, kinds, standings, horizon + 1)
        The same in samples of whole patients with replacement.
    level : float
        Of the intervals.
    patients_at_risk, patients_known : ndarray of int, shape (kinds, horizon)
        Patients with a case at risk at each session, and these or with a case that ended before it.
    """

    by: str
    kinds: tuple[str, ...]
    counts: FloatArray
    resampled: FloatArray
    level: float
    patients_at_risk: IntArray
    patients_known: IntArray

    @property
    def horizon(self) -> int:
        """Last session told."""
        return int(self.counts.shape[-1]) - 1


def leaving(seen: Studied, *, horizon: int | None, resamples: int, level: float, seed: int) -> Leaving:
    """Cases by last session and standing in each group of `seen`, and in samples of patients.

    Parameters
    ----------
    seen : Studied
        Cases, told apart by kind.
    horizon : int or None
        Last session told; the last that anybody had when None.
    resamples : int, from 2
        Samples of patients.
    level : float in (0, 1)
        Of the intervals.
    seed : int
        Of the samples.
    """
    last = int(seen.sessions.max())
    horizon = last if horizon is None else min(horizon, last)
    kinds = (ALL, *seen.groups)
    shape = (len(kinds), len(STANDING), horizon + 1)
    by_patient = np.zeros((int(seen.patient.max()) + 1, int(np.prod(shape))))
    entry = seen.ending * (horizon + 1) + np.minimum(seen.sessions, horizon + 1) - 1
    size = len(STANDING) * (horizon + 1)
    np.add.at(by_patient, (seen.patient, entry), 1.0)
    for place, kind in enumerate(seen.groups, start=1):
        rows = seen.inside(kind)
        np.add.at(by_patient, (seen.patient[rows], place * size + entry[rows]), 1.0)
    blocks = [
        bootstrap_weights(np.arange(len(by_patient)), min(_AT_A_TIME, resamples - start), int(state))
        @ by_patient
        for start, state in zip(
            range(0, resamples, _AT_A_TIME),
            np.random.SeedSequence(seed).generate_state(-(-resamples // _AT_A_TIME)),
            strict=True,
        )
    ]
    resampled = np.concatenate(blocks).reshape(-1, *shape)
    counts = by_patient.reshape(-1, *shape)
    at_risk, ended = at_risk_and_ended(counts)
    before = np.cumsum(ended.sum(axis=-2), axis=-1) - ended.sum(axis=-2)
    return Leaving(
        seen.by,
        kinds,
        counts.sum(axis=0),
        resampled,
        level,
        patients_at_risk=(at_risk > 0).sum(axis=0),
        patients_known=(at_risk + before > 0).sum(axis=0),
    )


def at_risk_and_ended(counts: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Cases at risk, shape (..., horizon), and ended, shape (..., ends, horizon), at each session."""
    by_session = counts.sum(axis=-2)
    at_risk = np.cumsum(by_session[..., ::-1], axis=-1)[..., ::-1][..., :-1]
    return at_risk, counts[..., 1:, :-1]


def reached(kind: Key, session: int) -> Key:
    """Cases that had a session: all of the kind had the first."""
    return kind if session == 1 else kind.and_("reached", session)


def left_at(kind: Key, session: int, standing: str) -> Key:
    """Cases last seen at a session that stood so."""
    return kind.and_("last", session).and_("ending", standing)


def leaving_counts(found: Leaving) -> dict[Key, int]:
    """Counts of a life table, those too that only its differences show."""
    counts: dict[Key, int] = {}
    for place, kind in enumerate(found.kinds):
        here, key = found.counts[place].astype(np.int64), of_group("cases", found.by, kind)
        for k in range(1, found.horizon + 1):
            counts[reached(key, k)] = int(here[:, k - 1 :].sum())
            counts[key.and_("last", k)] = int(here[:, k - 1].sum())
            counts |= {left_at(key, k, s): int(here[i, k - 1]) for i, s in enumerate(STANDING)}
        counts[key.and_("reached", found.horizon + 1)] = int(here[:, -1].sum())
        for i, standing in enumerate(STANDING):
            counts[_beyond(key, found.horizon, standing)] = int(here[i, -1])
            counts[key.and_("ending", standing)] = int(here[i].sum())
    return counts


def leaving_relations(found: Leaving) -> Iterator[Relation]:
    """At risk less at risk at the next session is what left between; kinds add up to all."""
    for kind in found.kinds:
        key = of_group("cases", found.by, kind)
        for k in range(1, found.horizon + 1):
            yield adds_up(reached(key, k), [key.and_("last", k), reached(key, k + 1)])
            yield adds_up(key.and_("last", k), [left_at(key, k, s) for s in STANDING])
        yield adds_up(
            key.and_("reached", found.horizon + 1), [_beyond(key, found.horizon, s) for s in STANDING]
        )
        for s in STANDING:
            last = [left_at(key, k, s) for k in range(1, found.horizon + 1)]
            yield adds_up(key.and_("ending", s), [*last, _beyond(key, found.horizon, s)])
        yield adds_up(key, [key.and_("ending", s) for s in STANDING])
    kinds = [kind for kind in found.kinds if kind != ALL]
    for total in (key for key in leaving_counts(found) if not any(name == found.by for name, _ in key.of)):
        yield adds_up(total, [total.and_(found.by, kind) for kind in kinds])


def _beyond(kind: Key, horizon: int, standing: str) -> Key:
    return kind.and_("reached", horizon + 1).and_("ending", standing)
