"""Sessions of all fitted cases in one row each, session by session, so that a risk set is a prefix."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.design import Design
from retreat.model.history.bother import logit_of_bother
from retreat.model.history.records import Records
from retreat.model.history.state import LEAST_ENERGY_MJ, LEAST_PULSES

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Sessions:
    """Every session of the fitted cases; cases are ordered by how many they had, most first.

    Parameters
    ----------
    X : ndarray of float, shape (cases, columns)
        Coded cases, centred.
    centre : ndarray of float, shape (columns,)
        What was taken from them.
    operator, patient : ndarray of int, shape (cases,)
        Numbered from 0.
    before : ndarray of float, shape (cases,)
        Bother before the first session on the logit scale; NaN where not noted.
    size : tuple of int
        Cases that reached each session.
    case, session : ndarray of int, shape (rows,)
        Position of the case and number of the session from 0; rows of the first session come first.
    ending : ndarray of int, shape (rows,)
        How the case ended after the session; 0 where it went on, or was not followed further.
    cleared : ndarray of float, shape (rows,)
        Grades, 0 to 1; NaN where not noted.
    bother : ndarray of float, shape (rows,)
        Points of 0 to 10; NaN where not noted.
    few, many : ndarray of float, shape (rows,)
        Whether there were few or many fragments; where not noted, their share among sessions of that number, which
        stands for the count in the fit, while forecasts draw counts.
    energy, pulses : ndarray of float, shape (rows,)
        Logarithms about their means; where not noted, the mean of the case's other sessions. A session that
        delivered nothing stands at the least dose, :data:`LEAST_PULSES` and :data:`LEAST_ENERGY_MJ`.
    energy_centre, pulses_centre : float
        Their means.
    moves : ndarray of float, shape (4, 3)
        How often fragments went from one count to the next: rows before the first session, none, few, many.
    """

    X: FloatArray
    centre: FloatArray
    operator: IntArray
    patient: IntArray
    before: FloatArray
    size: tuple[int, ...]
    case: IntArray
    session: IntArray
    ending: IntArray
    cleared: FloatArray
    bother: FloatArray
    few: FloatArray
    many: FloatArray
    energy: FloatArray
    pulses: FloatArray
    energy_centre: float
    pulses_centre: float
    moves: FloatArray

    @property
    def n_cases(self) -> int:
        """How many cases."""
        return len(self.before)


def lay_out(design: Design, records: Records) -> Sessions:
    """Sessions of a design.

    Parameters
    ----------
    design : Design
        Fitted cases.
    records : Records
        What was noted of them, in the order of the design.
    """
    order = np.argsort(-design.sessions, kind="stable")
    done, noted = design.sessions[order], records.rows(order)
    width = int(done.max())
    size = tuple(int((done > k).sum()) for k in range(width))
    case = np.concatenate([np.arange(n) for n in size])
    session = np.repeat(np.arange(width), size)
    centre = design.X.mean(axis=0)

    def rows(values: FloatArray) -> FloatArray:
        full = np.full((len(order), width), np.nan)
        full[:, : min(values.shape[1], width)] = values[:, :width]
        return np.asarray(full[case, session])

    fragments = rows(noted.fragments)
    energy, energy_centre = _delivered(rows(noted.energy_mj), case, len(order), least=LEAST_ENERGY_MJ)
    pulses, pulses_centre = _delivered(rows(noted.pulses), case, len(order), least=LEAST_PULSES)
    return Sessions(
        X=design.X[order] - centre,
        centre=centre,
        operator=design.operator[order],
        patient=design.patient[order],
        before=logit_of_bother(noted.before),
        size=size,
        case=case,
        session=session,
        ending=np.where(session + 1 == done[case], design.ending[order][case], 0),
        cleared=rows(noted.cleared),
        bother=rows(noted.bother),
        few=_share(fragments, 1.0, session),
        many=_share(fragments, 2.0, session),
        energy=energy,
        pulses=pulses,
        energy_centre=energy_centre,
        pulses_centre=pulses_centre,
        moves=_moves(fragments, case, session),
    )


def _delivered(values: FloatArray, case: IntArray, n_cases: int, *, least: float) -> tuple[FloatArray, float]:
    """Logarithms about their mean; a gap takes the mean of the case, or 0."""
    logged = np.log(np.maximum(values, least))  # a gap stays one
    known = np.isfinite(logged)
    centre = float(logged[known].mean()) if known.any() else 0.0
    away = np.where(known, logged - centre, 0.0)
    total = np.bincount(case, weights=away, minlength=n_cases)
    count = np.bincount(case, weights=known.astype(float), minlength=n_cases)
    return np.where(known, away, (total / np.maximum(count, 1.0))[case]), centre


def _share(fragments: FloatArray, code: float, session: IntArray) -> FloatArray:
    known = np.isfinite(fragments)
    hit = known & (fragments == code)
    overall = hit.sum() / max(int(known.sum()), 1)
    by_session = np.array(
        [
            hit[session == k].sum() / max(int(known[session == k].sum()), 1)
            for k in range(int(session.max()) + 1)
        ]
    )
    none = np.array([not known[session == k].any() for k in range(len(by_session))])
    usual = np.where(none, overall, by_session)
    return np.where(known, hit.astype(float), usual[session])


def _moves(fragments: FloatArray, case: IntArray, session: IntArray) -> FloatArray:
    counts = np.zeros((4, 3))
    place = {(c, k): i for i, (c, k) in enumerate(zip(case.tolist(), session.tolist(), strict=True))}
    for i, (c, k) in enumerate(zip(case.tolist(), session.tolist(), strict=True)):
        earlier = 0 if k == 0 else fragments[place[c, k - 1]] + 1
        if np.isfinite(fragments[i]) and np.isfinite(earlier):
            counts[int(earlier), int(fragments[i])] += 1
    return counts
