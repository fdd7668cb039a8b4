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
from retreat.study.cohort.studied import ENDS, IntArray
from retreat.study.suppression.sourced import Sourced
from retreat.validation._spread import wilson
from retreat.validation.observed import product_limit

STATES = (*ENDS, "in_treatment")
_ESTIMATES = ("incidence", "low", "high")
# a standard deviation below this is rounding
_NO_SPREAD = 1e-9


def incidence_table(found: Leaving) -> Sourced:
    """Aalen and Johansen's estimate of each end and of still being in treatment, by kind.

    Intervals are symmetric on the scale of log odds, with the variance over samples of whole patients, so that two eyes
    of a patient do not count as two patients (Davison and Hinkley 1997), and the quantile of t with one less than the
    patients, since a variance from few is itself in doubt. Samples in which nobody reached a session are left out of
    it. An estimate that is the same in all samples, such as 0 events of 103, has Wilson's interval, with as many cases
    as patients still in treatment at the session or with a case that ended before.

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
        sampled = _shares(found.resampled[:, place])
        low, high = _intervals(shares, sampled, found.patients_known[place], found.level)
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


def _intervals(
    shares: FloatArray, sampled: FloatArray, patients: IntArray, level: float
) -> tuple[FloatArray, FloatArray]:
    """Interval of each share, shape (states, horizon); NaN where the share is."""
    low, high = np.full(shares.shape, np.nan), np.full(shares.shape, np.nan)
    for place in np.argwhere(~np.isnan(shares)):
        at = tuple(place)
        values = sampled[(slice(None), *at)]
        low[at], high[at] = _interval(
            float(shares[at]), values[~np.isnan(values)], int(patients[at[1]]), level
        )
    return low, high


def _interval(share: float, sampled: FloatArray, patients: int, level: float) -> tuple[float, float]:
    spread = float(np.std(sampled, ddof=1)) if len(sampled) > 1 else 0.0
    if spread < _NO_SPREAD or patients < 2:
        return wilson(min(max(share, 0.0), 1.0), patients, level)
    from scipy.special import expit, logit, stdtrit  # heavy: only where a cohort is described

    # samples of n spread by n - 1 of n parts of what they stand for
    error = spread * np.sqrt(patients / (patients - 1.0)) / (share * (1.0 - share))
    reach = float(stdtrit(patients - 1.0, 0.5 + level / 2.0)) * error
    middle = logit(share)
    return float(expit(middle - reach)), float(expit(middle + reach))


def _until(kind: Key, session: int) -> tuple[Key, ...]:
    """Counts that an estimate after a session rests on."""
    sessions = range(1, session + 1)
    ended = (left_at(kind, k, end) for k in sessions for end in ENDS)
    return (*(reached(kind, k) for k in sessions), *ended)
