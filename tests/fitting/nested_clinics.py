"""Designs and points for the tests of the fast posterior."""

from dataclasses import replace

import numpy as np
from clinics import clinic

from retreat.definitions import read_definition
from retreat.fitting.design import design
from retreat.fitting.nested.courses import lay_out


def plain(model="core", *, cases=120, seed=3, patients_of=1, pool_below=None):
    """A small clinic with operators, each patient with so many cases."""
    table = clinic("known_clustered", seed=seed, cases=cases)
    table["patient"] = [f"p{i:04d}x" for i in range(cases)]
    definition = read_definition(model)
    if pool_below is not None:
        sessions = definition.sessions.model_copy(update={"pool_below": pool_below})
        definition = replace(definition, sessions=sessions)
    return replace(design(table, definition), patient=np.arange(cases) // patients_of)


def ungated(model, **changes):
    """A definition without gates, and with other changes."""
    definition = read_definition(model)
    gates = definition.gates.model_copy(update={"min_cases": 1, "min_ended": 0})
    return replace(definition, gates=gates, **changes)


def columns_of(table):
    """Courses and the columns with a coefficient: the coded ones and one a operator."""
    courses = lay_out(table)
    return courses, np.hstack([courses.X, np.eye(courses.n_operators)[courses.operator]])


def some_point(courses, X, seed=1):
    """Coefficients and session effects of a fair size."""
    rng = np.random.default_rng(seed)
    K, p, E = courses.n_ends, X.shape[1], courses.n_effects
    return np.concatenate([rng.normal(0.0, 0.3, K * p), rng.normal(-0.8, 0.4, K * E)])
