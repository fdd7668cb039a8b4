"""Practices drawn from a stated law around a model, and the model they are drawn around."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd

import retreat
import synthetic
from retreat.hazard import hazards
from retreat.updating.likelihood import Point
from retreat.updating.practice import Practice, read_practice
from retreat.updating.spread import point_of


@cache
def _table(scenario, seed, cases):
    return pd.DataFrame(synthetic.make(scenario, seed=seed, cases=cases, truth=False).cases)


def table(scenario="known", *, seed=2, cases=200):
    """A fresh copy of the case table of an invented clinic."""
    return _table(scenario, seed, cases).copy()


@cache
def saved(definition="core", cases=600, draws=400):
    """A model fitted to an invented clinic."""
    return retreat.fit(table(seed=1, cases=cases), definition, draws=draws)


@cache
def _pool(definition):
    """Eyes to draw practices from."""
    return read_practice(saved(definition), table(seed=7, cases=3000))


def drawn(seed, n, *, definition="core", point=None, eyes_a_patient=1, follow_up=6):
    """A practice of n eyes whose courses follow a point: the model's own if none is given.

    `follow_up` sessions at most; each eye is followed for 1 to that many.
    """
    rng = np.random.default_rng(seed)
    pool = _pool(definition)
    chosen = rng.choice(pool.n_cases, n)
    point = point or point_of(saved(definition).parameters)
    X = pool.X[chosen]
    sessions, ending = courses_of(X, point, rng, follow_up)
    return Practice(
        X=X,
        sessions=sessions,
        ending=ending,
        patient=np.arange(n) // eyes_a_patient,
        row=np.arange(n),
        features={name: values[chosen] for name, values in pool.features.items()},
        left_out=(),
        n_left_out=0,
        years=(2024, 2025),
        invented=True,
    )


def courses_of(X, point, rng, follow_up):
    """Last sessions and endings of these eyes under a point."""
    n = len(X)
    place = np.minimum(np.arange(follow_up), point.n_sessions - 1)
    eta = (X @ point.coefficients.T)[..., None] + point.session_effects[:, place]
    chance = np.cumsum(hazards(eta), axis=1)  # (cases, ends, sessions)
    followed = rng.integers(1, follow_up + 1, n)
    sessions, ending = followed.copy(), np.zeros(n, dtype=np.int64)
    on = np.ones(n, dtype=bool)
    for k in range(follow_up):
        way = (rng.random(n)[:, None] > chance[:, :, k]).sum(axis=1)
        here = on & (followed > k) & (way < point.n_ends)
        sessions[here], ending[here] = k + 1, way[here] + 1
        on &= way == point.n_ends
    return sessions.astype(np.int64), ending


def moved(point, *, shift=0.0, slope=1.0, coefficients=0.0):
    """The point with the first end's level shifted, its coefficients multiplied and changed."""
    b, a = point.coefficients.copy(), point.session_effects.copy()
    b[0] = slope * b[0] + coefficients
    a[0] += shift
    return Point(b, a)
