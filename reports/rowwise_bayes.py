"""The reference for speed: the same hierarchical hazard written row by row, as most people would write it.

One row a case and session, a Categorical likelihood over going on, relieved and stopped, PyMC's own NUTS. The
priors are those of `retreat.fitting.bayes_model`; nothing is pooled, collapsed or centred.
"""

from __future__ import annotations

import resource

import numpy as np
import pandas as pd
import pymc as pm
import pytensor.tensor as pt

import synthetic
from retreat.counts import person_sessions
from retreat.definitions import read_definition
from retreat.fitting.bayes_model import build
from retreat.fitting.design import Design, design


def rowwise_model(design: Design) -> pm.Model:
    """PyMC model of the person-session rows of a design with operator effects."""
    case, session, end = person_sessions(design.sessions, design.ending)
    mean, sd = design.definition.coefficient_priors(design.coding)
    first_mean, first_sd = design.definition.first_session_priors()
    step, groups = design.definition.sessions.step, design.definition.groups
    K, S = design.n_ends, int(design.sessions.max())
    with pm.Model() as model:
        b = pm.Normal("coefficients", mean, sd, shape=mean.shape)
        first = pm.Normal("first", first_mean, first_sd, shape=K)
        step_sd = pm.HalfNormal("step_sd", step.sd, shape=K)
        moves = pm.Normal("step", 0.0, 1.0, shape=(K, S - 1))
        walk = pt.concatenate([pt.zeros((K, 1)), pt.cumsum(moves, axis=1) * step_sd[:, None]], axis=1)
        a = first[:, None] + walk
        operator_sd = pm.HalfNormal("operator_sd", groups.operator.sd, shape=K)
        operator = pm.Normal("operator_raw", 0.0, 1.0, shape=(K, design.n_operators)) * operator_sd[:, None]
        eta = pt.dot(design.X[case], b.T) + a.T[session - 1] + operator.T[design.operator[case]]
        logits = pt.concatenate([pt.zeros((len(case), 1)), eta], axis=1)
        pm.Categorical("end", logit_p=logits, observed=np.asarray(end))
    return model


def compare(*, cases: int = 1_000, draws: int = 1_000, seed: int = 3) -> dict[str, float]:
    """CPU seconds, compiling included, of both models at equal draws on one clinic with operators."""
    clinic = synthetic.make("known_clustered", seed=seed, cases=cases, truth=False)
    table = pd.DataFrame(clinic.cases)
    table["patient"] = table["case"]  # operators only, in both
    coded = design(table, read_definition("core"))
    found = {}
    for name, model, sampler in (
        ("retreat", build(coded), "nutpie"),
        ("rowwise", rowwise_model(coded), "pymc"),
    ):
        started = _cpu_seconds()
        with model:
            pm.sample(
                draws=draws,
                tune=draws,
                chains=4,
                cores=2,
                random_seed=seed,
                nuts_sampler=sampler,
                target_accept=0.9,
                progressbar=False,
                compute_convergence_checks=False,
            )
        found[name] = _cpu_seconds() - started
    found["ratio"] = found["rowwise"] / found["retreat"]
    print(
        f"(d) {cases:,} cases, 4 x {draws:,} draws: {found['retreat']:.1f} CPU s and {found['rowwise']:.1f} CPU s, "
        f"compiling included: {found['ratio']:.1f} times"
    )
    return found


def _cpu_seconds() -> float:
    own, children = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return own.ru_utime + own.ru_stime + children.ru_utime + children.ru_stime
