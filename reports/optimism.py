"""Optimism: whether corrected measures of a small clinic's model come out right for patients it has not seen.

Method. Invented clinics of 150 cases are drawn from textbook hazards with stated coefficients (law `known`; nothing
missing), seeds 1, 2, ..., none left out. `core` is fitted to each by two routes:

- priors: the default, penalised by the definition's priors, through the recipe (mean over 200 draws);
- maximum likelihood: `LogisticHazard` on the columns coded by `core`, smooth session effects, no penalty on the
  coefficients. Clinics whose coefficients run off to infinity are refused by that route and counted.

Each fit's calibration slope, scaled Brier score (index of prediction accuracy) and concordance of relief by sessions
1, 2 and 3 are corrected by Harrell's bootstrap over patients, as `retreat.validate` and `validate_estimator` do, with
90% intervals. The true value is that of the same fitted model on 100,000 fresh cases of the law, made once; `law` is
that of the stated law itself on them (a slope other than 1 is the luck of these cases, shared by all clinics, and
moves every difference from the true value). Reported over clinics: mean apparent and mean corrected value less the
true one, with the Monte-Carlo error of the latter, the root mean square of each error, the share of intervals that
hold the true value with its Monte-Carlo error, and the failed resamples. A value or interval that cannot be told (NaN)
is left out of the means and counted.

Goals: corrected less true within 0.02; apparent slopes too high; 90% intervals hold the true value 87% to 93% of times.

    python -m reports.optimism [--clinics 200] [--cases 150] [--resamples 200] [--fresh 100000] [--jobs 2] [--json FILE]
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from threadpoolctl import threadpool_limits

import synthetic
from retreat.definitions import read_definition
from retreat.errors import FitError
from retreat.fitting import LogisticHazard
from retreat.fitting.design import CaseData, read_data
from retreat.recipe import fit_design
from retreat.validation._checked import courses  # `evaluate` and `Question` take checked courses
from retreat.validation.panel import evaluate
from retreat.validation.samples import Samples
from retreat.validation.schemes.array_refits import LogisticRefits
from retreat.validation.schemes.optimism import Optimism, Question, correct_optimism
from retreat.validation.schemes.recipe_refits import RecipeRefits
from retreat.validation.schemes.resampling import bootstrap_weights

ROUTES = ("priors", "maximum likelihood")
MEASURES = ("slope", "scaled_brier_at", "concordance_at")
HORIZONS = (1, 2, 3)
END = "relieved"
LEVEL, DRAWS = 0.9, 200
FRESH_SEED = 10**6


def clinic(seed: int, n_cases: int) -> CaseData:
    """Cases of the stated law, read for `core`."""
    made = synthetic.make("known", seed=seed, cases=n_cases, truth=False)
    return read_data(pd.DataFrame(made.cases), read_definition("core"))


def corrected(data: CaseData, route: str, fresh: CaseData, resamples: int, seed: int) -> tuple[Optimism, Any]:
    """Corrected measures of a route's fit, and its predictions (cases, ends, sessions) for the fresh cases."""
    design, last = data.design(), max(HORIZONS)
    seen = courses(design.sessions, design.ending, n_ends=design.n_ends)
    weights = bootstrap_weights(design.patient, resamples, seed)
    if route == "priors":
        settings = {"draws": DRAWS}
        refits: Any = RecipeRefits(data, "logistic", seed, settings, last)
        model = fit_design(design, "logistic", seed=seed, settings=settings)
        predicted = model.expected_of(fresh.features, horizon=last)
    else:
        smooth = LogisticHazard(session_effect="smooth", pool_below=data.definition.sessions.pool_below)
        refits = LogisticRefits(smooth, design.X, design.sessions, design.ending, design.n_ends, last)
        fitted = smooth.fit(design.X, design.sessions, design.ending)
        X = design.coding.encode(fresh.features, n_cases=len(fresh.sessions))
        predicted = fitted.predict_incidence(X, last)
    question = Question(seen, data.definition.ends, HORIZONS, MEASURES)
    return correct_optimism(refits, question, weights, level=LEVEL), predicted


def on_fresh(predicted: np.ndarray, fresh: CaseData) -> dict[tuple[str, int], float]:
    """Measures of relief of these predictions (cases, ends, sessions) on the fresh cases, by measure and session."""
    ends = fresh.definition.ends
    seen = courses(fresh.sessions, fresh.ending, n_ends=len(ends))
    sample = Samples(seen, np.ones((1, len(fresh.sessions))))
    found = evaluate(predicted[None], sample, ends=ends, horizons=HORIZONS, measures=MEASURES)
    return {(measure, k): float(found[measure, k, END][0]) for measure in MEASURES for k in HORIZONS}


def stated_law(n_cases: int, fresh: CaseData) -> dict[tuple[str, int], float]:
    """Measures of the law that the fresh cases were drawn from."""
    truth = synthetic.make("known", seed=FRESH_SEED, cases=n_cases).truth
    columns = [[truth[f"{end}_{k}"] for k in HORIZONS] for end in fresh.definition.ends]
    return on_fresh(np.array(columns).transpose(2, 0, 1), fresh)


def one_clinic(
    seed: int, n_cases: int, resamples: int, fresh: CaseData, routes: Sequence[str]
) -> list[dict[str, Any]]:
    """Apparent, corrected and true values of each route; one row a measure and session, or one for a refusal."""
    data = clinic(seed, n_cases)
    rows: list[dict[str, Any]] = []
    for route in routes:
        try:
            found, predicted = corrected(data, route, fresh, resamples, seed)
        except FitError as error:
            rows.append({"route": route, "seed": seed, "refused": error.faults[0].what})
            continue
        for (measure, k), true in on_fresh(predicted, fresh).items():
            value = found.values[measure, k, END]
            told = {name: getattr(value, name) for name in ("apparent", "corrected", "low", "high")}
            where = {"route": route, "seed": seed, "measure": measure, "session": k}
            rows.append(where | told | {"true": true, "failed": len(found.failures)})
    return rows


def summary(rows: pd.DataFrame) -> dict[str, Any]:
    """Means over the clinics of one route, measure and session."""
    told = rows.dropna(subset=["apparent", "corrected", "low", "high", "true"])
    apparent, error = told.apparent - told.true, told.corrected - told.true
    inside = ((told.low <= told.true) & (told.true <= told.high)).to_numpy(dtype=float)
    root = np.sqrt(len(told))
    return {
        "clinics": len(told),
        "not_told": len(rows) - len(told),
        "true": told.true.mean(),
        "apparent-true": apparent.mean(),
        "corrected-true": error.mean(),
        "mc_error": error.std(ddof=1) / root,
        "rms_apparent": np.sqrt((apparent**2).mean()),
        "rms_corrected": np.sqrt((error**2).mean()),
        "coverage": inside.mean(),
        "coverage_mc_error": inside.std(ddof=1) / root,
        "width": (told.high - told.low).mean(),
    }


def simulate(
    *, clinics: int, cases: int, resamples: int, fresh: int, jobs: int = 1, routes: Sequence[str] = ROUTES
) -> tuple[pd.DataFrame, dict[str, str]]:
    """Summaries by route, measure and session, and what was refused or failed, in words, by route."""
    unseen = clinic(FRESH_SEED, fresh)
    work = (delayed(one_clinic)(seed, cases, resamples, unseen, routes) for seed in range(1, clinics + 1))
    with threadpool_limits(1):
        rows = pd.DataFrame([row for found in Parallel(n_jobs=jobs)(work) for row in found])
    kept = rows.dropna(subset="measure")
    told = {}
    for route, own in kept.groupby("route", sort=False):
        failed = own.groupby("seed").failed.first()
        told[str(route)] = (
            f"{clinics - len(failed)} of {clinics} clinics refused; {int(failed.sum())} of "
            f"{len(failed) * resamples} resamples failed, at most {int(failed.max())} in a clinic"
        )
    groups = kept.groupby(["route", "measure", "session"], sort=False)
    names = ("route", "measure", "session")
    table = pd.DataFrame([dict(zip(names, key, strict=True)) | summary(own) for key, own in groups])
    law = stated_law(fresh, unseen)
    table.insert(3, "law", [law[row.measure, int(row.session)] for row in table.itertuples()])
    return table.astype({"session": int}), told


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    defaults = {"clinics": 200, "cases": 150, "resamples": 200, "fresh": 100_000, "jobs": 2}
    for name, default in defaults.items():
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()

    sizes = {key: value for key, value in vars(options).items() if key != "json"}
    table, told = simulate(**sizes)
    print(", ".join(f"{name} {value}" for name, value in sizes.items()))
    print("\n".join(f"{route}: {words}" for route, words in told.items()))
    print(table.round(3).to_string(index=False))
    if options.json:
        result = {"sizes": sizes, "fits": told, "table": table.to_dict("records")}
        options.json.write_text(json.dumps(result, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
