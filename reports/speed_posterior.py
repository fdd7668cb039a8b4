"""Posteriors for `reports.speed`: from a design in memory to draws, CPU seconds of the process and its children.

Each way runs in a process of its own with one BLAS thread; imports and the making of the design are not counted,
compiling is, as every fit of a clinic pays it. The forecast error is the root mean square over 50 new cases, ends and
sessions 1 to 4 of the difference of means over draws from a long NUTS run (4 chains of 4,000 draws), an operator not
seen averaged alike in all. Models: operators only with free sessions, and `core` whole.
"""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

import synthetic
from retreat.definitions import read_definition
from retreat.fitting.bayes import BayesFit, fit_bayes, posterior_of
from retreat.fitting.bayes_gates import assess
from retreat.fitting.design import Design, design
from retreat.fitting.nested.fit import fit_nested
from retreat.fitting.posterior import Posterior

WAYS = ("nested", "nutpie", "pymc", "bambi")
MODELS = ("operators", "core")


def made(model: str, n_cases: int) -> Design:
    """An invented clinic; without patients and steps, or as `core` is."""
    table = pd.DataFrame(synthetic.make("known_clustered", seed=3, cases=n_cases, truth=False).cases)
    definition = read_definition("core")
    if model == "operators":
        table["patient"] = table["case"]
        sessions = definition.sessions.model_copy(update={"effect": "free"})
        definition = replace(definition, sessions=sessions)
    return design(table, definition)


def means(posterior: Posterior) -> list[float]:
    """Mean incidences of new cases, operators redrawn for 20,000 values so that they add no chance of their own."""
    from reports.posterior import incidences, new_cases

    X = new_cases(posterior.design)
    some = posterior.thinned(2000)
    repeated = [incidences(some if i == 0 else _turned(some, i), X).mean(axis=0) for i in range(10)]
    return np.mean(repeated, axis=0).ravel().tolist()


def _turned(posterior: Posterior, by: int) -> Posterior:
    """The draws in another order, so that the same standard normal operators meet others."""
    return posterior.at(np.random.default_rng(by).permutation(posterior.n_draws))


def posterior_by(way: str, model: str, n_cases: int, seed: int) -> dict[str, Any]:
    """CPU seconds and mean forecasts of one way."""
    from reports.rowwise_bayes import _cpu_seconds

    if way == "bambi" and importlib.util.find_spec("bambi") is None:
        return {"absent": True}
    table = made(model, n_cases)
    import pymc  # noqa: F401  # imports are not counted
    from arviz_stats.base.array import array_stats  # noqa: F401

    started = _cpu_seconds()
    if way == "nested":
        posterior = fit_nested(table, seed=seed)
    elif way == "long":
        posterior = posterior_of(fit_bayes(table, seed=100 + seed, draws=4000))
    elif way == "bambi":
        _by_bambi(table, seed)
        return {"seconds": _cpu_seconds() - started}
    else:
        posterior = _by_sampler(table, seed, way)
    seconds = _cpu_seconds() - started
    return {"seconds": seconds, "means": means(posterior)}


def _by_sampler(table: Design, seed: int, sampler: str) -> Posterior:
    """The same model by one run of `pm.sample` as it comes: 4 chains of 1,000 draws after 1,000, gates not asked."""
    import pymc as pm

    from retreat.fitting.bayes_model import build

    with build(table):
        trace = pm.sample(
            random_seed=seed,
            chains=4,
            cores=2,
            nuts_sampler=sampler,
            progressbar=False,
            compute_convergence_checks=False,
        )
    return posterior_of(BayesFit(table, trace, assess(trace), 1, 1.0))


def _by_bambi(table: Design, seed: int) -> None:
    """Rows of a multinomial hazard with its own default priors and random intercepts: another model, time only."""
    import bambi

    from retreat.counts import person_sessions

    case, session, end = person_sessions(table.sessions, table.ending)
    rows = pd.DataFrame(table.X[case], columns=[f"x{i}" for i in range(table.X.shape[1])])
    rows["end"], rows["session"] = np.asarray(end).astype(str), np.minimum(session, 6).astype(str)
    rows["operator"], rows["patient"] = table.operator[case].astype(str), table.patient[case].astype(str)
    groups = "(1|operator)" + (" + (1|patient)" if table.n_patients < len(table.X) else "")
    columns = " + ".join(f"x{i}" for i in range(table.X.shape[1]))
    model = bambi.Model(f"end ~ session + {columns} + {groups}", rows, family="categorical")
    model.fit(random_seed=seed, cores=2, progressbar=False)


def posteriors(
    alone: Any, *, sizes: tuple[int, ...] = (300, 1_000, 5_000), seeds: int = 3, ways: tuple[str, ...] = WAYS
) -> list[dict[str, Any]]:
    """One row a model and size: seconds, forecast errors and ratios, the ways in turn for each seed."""
    rows = []
    for model in MODELS:
        for n_cases in sizes:
            truth = np.array(alone("posterior_by", way="long", model=model, n_cases=n_cases, seed=1)["means"])
            runs: dict[str, list[dict[str, Any]]] = {way: [] for way in ways}
            for seed in range(1, seeds + 1):
                for way, done in runs.items():
                    done.append(alone("posterior_by", way=way, model=model, n_cases=n_cases, seed=seed))
            row: dict[str, Any] = {"model": model, "cases": n_cases}
            for way, done in runs.items():
                if "absent" in done[0]:
                    row[way] = "not installed: left out"
                    continue
                row[f"{way}_seconds"] = float(np.median([run["seconds"] for run in done]))
                row[f"{way}_least"] = min(run["seconds"] for run in done)
                if "means" in done[0]:
                    away = [np.sqrt(((np.array(run["means"]) - truth) ** 2).mean()) for run in done]
                    row[f"{way}_error"] = float(np.median(away))
                row[f"{way}_times"] = row[f"{way}_seconds"] / row["nested_seconds"]
            rows.append(row)
            print(
                "(f)",
                {key: round(value, 4) if isinstance(value, float) else value for key, value in row.items()},
            )
    return rows
