"""Clinics whose courses follow a stated law: the eyes of an invented clinic, one a patient, and courses drawn here."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd

import synthetic

# log odds of each end: level at the first session, step a session, effects of kind, log2 size
LEVEL = {"relieved": 0.3, "stopped": -2.2}
KIND = {"ring": (0.0, 0.0), "strand": (-0.5, 0.2), "cloud": (-1.0, 0.3), "sheet": (-1.6, 0.6)}
SIZE = (-0.7, 0.0)


@cache
def _eyes(n, eyes_a_patient):
    made = pd.DataFrame(synthetic.make("known", seed=29, cases=3 * n, truth=False).cases)
    made = made[made["sessions"].astype(int) > 0].reset_index(drop=True)
    if eyes_a_patient == 1:
        made = made.drop_duplicates("patient")
    return made.head(n).reset_index(drop=True)


def clinic(
    seed, *, n=1000, loading=(0.0, 0.0), never=0.0, eyes_a_patient=1, follow_up=8, kind=1.0, lost=0.05
):
    """A case table of n eyes.

    `loading` of how hard a patient is on each end, `never` the share of patients that are never relieved, `kind` what
    multiplies the effects of kind and size, `lost` the chance of being lost after a session.
    """
    cases = _eyes(n, eyes_a_patient).copy()
    rng = np.random.default_rng(seed)
    patient = np.unique(cases["patient"], return_inverse=True)[1]
    hard = rng.standard_normal(patient.max() + 1)[patient]
    stays = rng.random(patient.max() + 1)[patient] < never
    effect = np.array([KIND[k] for k in cases["opacity"]])
    size = np.log2(cases["size_mm"].astype(float).to_numpy() / 2)[:, None] * np.array(SIZE)
    eta = np.array(list(LEVEL.values())) + kind * (effect + size) + hard[:, None] * np.array(loading)
    odds = np.exp(eta)
    odds[stays, 0] = 0.0
    sessions, ending = np.full(n, follow_up), np.full(n, "ongoing", dtype=object)
    on = np.ones(n, dtype=bool)
    for k in range(1, follow_up + 1):
        chance = odds / (1.0 + odds.sum(axis=1, keepdims=True))
        u = rng.random(n)
        relieved, over = on & (u < chance[:, 0]), on & (u < chance.sum(axis=1))
        gone = on & ~over & (rng.random(n) < lost)
        sessions[over | gone] = k
        ending[over], ending[relieved] = "stopped", "relieved"
        on &= ~over & ~gone
    cases["sessions"], cases["ending"] = sessions.astype(str), ending
    cases["stop_reason"] = np.where(ending == "stopped", "no_benefit", "not_applicable")
    cases["relief_after"] = "not_recorded"
    return cases
