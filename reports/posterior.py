"""The fast posterior against NUTS: the same forecasts on every shipped regression.

Method. One invented clinic (`known_clustered`, nothing missing) is fitted under every definition with a regression and
the logit link, by nested normals with importance weights and by NUTS (4 chains of 4,000 draws after 1,000). Forecast
is the incidence of each end by sessions 1 to 4 of 50 new cases with an operator not seen. Compared are the means over
draws (0.005 allowed) and the ends of the 90% interval (0.01 allowed), the largest over cases, ends and sessions. So
that this tells of the method and not of chance, draws of eight seeds of the fast posterior are taken together; what
chance does to one fit is told beside it, as the root mean square over cases, ends and sessions, and 0.005 is allowed
for the mean. NUTS's own Monte-Carlo error is taken from the largest difference between its first and last two chains:
for all four it is about half of that, and where the half is not below what is allowed NUTS was too short to judge.

    python -m reports.posterior [--cases 500] [--quick] [--json FILE]
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import synthetic
from retreat.definitions import read_definition, shipped
from retreat.features import features
from retreat.fitting.bayes import fit_bayes, posterior_of
from retreat.fitting.design import Design, design
from retreat.fitting.nested.fit import NotUsableError, fit_nested
from retreat.fitting.posterior import Posterior
from retreat.model import kernel
from retreat.tables import as_cases

N_NEW, SESSIONS, LEVEL = 50, 4, 0.9
MEAN_ALLOWED, END_ALLOWED = 0.005, 0.01
N_SEEDS = 8
# their chance alone would leave the ends of intervals 0.01 apart
N_OPERATORS = 4


def regressions() -> list[str]:
    """Shipped definitions that a Bayesian fit knows."""
    found = [read_definition(name) for name in shipped()]
    return [
        one.name
        for one in found
        if not one.strata and one.link == "logit" and not (one.studies or one.history)
    ]


def clinic(name: str, cases: int, seed: int = 3) -> Design:
    """An invented clinic under a definition."""
    table = pd.DataFrame(synthetic.make("known_clustered", seed=seed, cases=cases, truth=False).cases)
    return design(table, read_definition(name))


def new_cases(table: Design) -> np.ndarray:
    """Coded cases that the clinic does not hold, shape (50, columns)."""
    new = as_cases(
        pd.DataFrame(synthetic.make("known_clustered", seed=10**6, cases=N_NEW, truth=False).cases)
    )
    return table.coding.encode(features(new, table.definition.features), n_cases=N_NEW)


def incidences(posterior: Posterior, X: np.ndarray) -> np.ndarray:
    """Incidence of each draw, shape (draws, cases, ends, sessions), each draw under several unseen operators."""
    horizon = 1 if posterior.design.definition.outcome == "second_session" else SESSIONS
    level = np.zeros(len(X), dtype=np.intp)
    parts = [
        kernel.pmf(posterior.parameters(seed=seed), X, level, horizon=horizon, link="logit").cumsum(axis=3)
        for seed in range(N_OPERATORS)
    ]
    return np.stack(parts, axis=1).reshape(-1, *parts[0].shape[1:])


def summary(draws: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Means over draws, and both ends of the interval."""
    return draws.mean(axis=0), np.quantile(draws, [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=0)


def apart(one: np.ndarray, two: np.ndarray) -> tuple[float, float]:
    """Largest difference of means, of interval ends."""
    a, b = summary(one), summary(two)
    return float(np.abs(a[0] - b[0]).max()), float(np.abs(a[1] - b[1]).max())


def compare(name: str, *, cases: int, draws: int, kept: int = 4_000) -> dict[str, Any]:
    """Largest differences under one definition, and what chance alone does to each side."""
    table = clinic(name, cases)
    X = new_cases(table)
    chains = fit_bayes(table, seed=1, draws=draws, tune=1000, chains=4)
    nuts = incidences(posterior_of(chains), X)
    row: dict[str, Any] = {"model": name, "cases": len(table.X), "nuts_failures": len(chains.gates.failures)}
    half = len(nuts) // 2
    row["nuts_mean_error"], row["nuts_end_error"] = (each / 2 for each in apart(nuts[:half], nuts[half:]))
    try:
        fits = [incidences(fit_nested(table, seed=seed, kept=kept), X) for seed in range(1, N_SEEDS + 1)]
    except NotUsableError as error:
        return row | {"refused": str(error), "passed": False}
    row["mean"], row["end"] = apart(np.concatenate(fits), nuts)
    means = np.array([one.mean(axis=0) for one in fits])
    row["one_fit_rms"] = float(np.sqrt(((means - nuts.mean(axis=0)) ** 2).mean()))
    row["judged"] = row["nuts_mean_error"] < MEAN_ALLOWED and row["nuts_end_error"] < END_ALLOWED
    within = row["mean"] <= MEAN_ALLOWED and row["end"] <= END_ALLOWED and row["one_fit_rms"] <= MEAN_ALLOWED
    return row | {"passed": row["judged"] and within}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cases", type=int, default=500)
    parser.add_argument("--quick", action="store_true", help="core alone, 200 cases, 2,000 draws a chain")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()

    names = ["core"] if options.quick else regressions()
    cases, draws = (200, 2000) if options.quick else (options.cases, 4000)
    rows = []
    for name in names:
        rows.append(compare(name, cases=cases, draws=draws))
        print(
            {key: round(value, 4) if isinstance(value, float) else value for key, value in rows[-1].items()}
        )
    if options.json:
        options.json.write_text(json.dumps(rows, indent=1), encoding="utf-8")
    failed = [row["model"] for row in rows if not row["passed"]]
    print(f"outside what is allowed: {', '.join(failed)}" if failed else "all within what is allowed")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
