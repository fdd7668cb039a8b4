"""Incidence of each end after each session, by kind, with intervals from samples of patients."""

from __future__ import annotations

from typing import Any

import numpy as np

from retreat.study.cohort.keys import Key, of_group
from retreat.study.cohort.leaving import (
    FloatArray,
    Leaving,
    at_risk_and_ended,
    leaving_counts,
    leaving_relations,
    left_at,
    reached,
)
from retreat.study.cohort.studied import ENDS
from retreat.study.suppression.sourced import Sourced
from retreat.validation.observed import product_limit

STATES = (*ENDS, "in_treatment")
_ESTIMATES = ("incidence", "low", "high")


def incidence_table(found: Leaving) -> Sourced:
    """Aalen and Johansen's estimate of each end and of still being in treatment, by kind.

    Intervals are percentiles over samples of whole patients, so that two eyes of a patient do not count as two
    patients (Davison and Hinkley 1997). Samples in which nobody reached a session are left out of it.

    Parameters
    ----------
    found : Leaving
        Cases by last session.

    Returns
    -------
    Sourced
        Columns: kind, state, session, incidence, low, high; NaN from the first session that nobody was followed to.

    References
    ----------
    Aalen OO, Johansen S. Scand J Stat 1978;5:141-150 (from memory). Davison AC, Hinkley DV. Bootstrap Methods and their
    Application. Cambridge University Press, 1997, section 3.8 (from memory).
    """
    import pandas as pd

    rows: list[dict[str, Any]] = []
    sources: list[tuple[Key, ...]] = []
    for place, kind in enumerate(found.kinds):
        shares = _shares(found.counts[place])  # (states, horizon)
        low, high = _percentiles(_shares(found.resampled[:, place]), found.level)
        key = of_group("cases", found.by, kind)
        for i, state in enumerate(STATES):
            for k in range(1, found.horizon + 1):
                told = {"incidence": shares[i, k - 1], "low": low[i, k - 1], "high": high[i, k - 1]}
                if np.isnan(told["incidence"]):
                    told = dict.fromkeys(_ESTIMATES, np.nan)
                rows.append({"kind": kind, "state": state, "session": k, **told})
                sources.append(_until(key, k))
    every = tuple(sources)
    return Sourced(
        pd.DataFrame(rows),
        dict.fromkeys(_ESTIMATES, every),
        dict(leaving_counts(found)),
        tuple(leaving_relations(found)),
    )


def _shares(counts: FloatArray) -> FloatArray:
    """Incidences and share in treatment, shape (..., states, horizon), NaN where nobody was followed to."""
    at_risk, ended = at_risk_and_ended(counts)
    incidence, staying = product_limit(ended, at_risk)
    shares = np.concatenate([incidence, staying[..., None, :]], axis=-2)
    # nobody at risk although some were still in treatment: lost, and nothing is known
    unknown = (at_risk == 0) & (staying > 0)
    return np.where(unknown[..., None, :], np.nan, shares)


def _percentiles(shares: FloatArray, level: float) -> tuple[FloatArray, FloatArray]:
    """Percentiles over samples, shape (states, horizon); NaN where no sample reached."""
    lowest, highest = np.full(shares.shape[1:], np.nan), np.full(shares.shape[1:], np.nan)
    for k in range(shares.shape[-1]):
        there = shares[~np.isnan(shares[:, 0, k]), :, k]
        if len(there):
            tails = ((1.0 - level) / 2.0, (1.0 + level) / 2.0)
            lowest[:, k], highest[:, k] = np.quantile(there, tails, axis=0)
    return lowest, highest


def _until(kind: Key, session: int) -> tuple[Key, ...]:
    """Counts that an estimate after a session rests on."""
    sessions = range(1, session + 1)
    ended = (left_at(kind, k, end) for k in sessions for end in ENDS)
    return (*(reached(kind, k) for k in sessions), *ended)
