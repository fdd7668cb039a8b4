"""Validation of every shipped definition on an invented clinic: page, JSON and CSV.

Method. One invented clinic (law `burden`, so every model is wrong about it). Each recipe is redone in every fold of a
cross-validation by patient and, but for Bayesian ones, in every bootstrap resample. Observed incidence is
Aalen and Johansen's; calibration at sessions 1 to 4 is by jackknife pseudo-values; scores stand beside everyone alike,
the life table and boosted trees on the same folds; each recipe gets its verdict.

    python -m reports.calibration --out calibration [--recipes core:logistic,core:bayes] [--resamples 200] [--jobs 2]
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import pandas as pd

import retreat
import synthetic
from retreat.cli.validate import write_report

RECIPES = ",".join(
    (
        "core:logistic",
        "full:logistic",
        "lifetable:lifetable",
        "second_session:logistic",
        "core:bayes",
        "frailty:bayes",
        "mover_stayer:bayes",
    )
)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--out", type=Path, default=Path("calibration"))
    parser.add_argument("--recipes", default=RECIPES, help="definition:method, comma-separated")
    parser.add_argument("--folds", type=int, default=10)
    parser.add_argument("--resamples", type=int, default=200)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--scenario", default="established")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()

    clinic = synthetic.make(options.scenario, seed=options.seed, truth=False)
    cases = pd.DataFrame(clinic.cases)
    reports = []
    for recipe in options.recipes.split(","):
        definition, method = recipe.split(":")
        sampled = method == "bayes"  # a second a fit: folds alone
        started = time.perf_counter()
        report = retreat.validate(
            cases,
            definition,
            method=method,
            folds=options.folds,
            resamples=0 if sampled else options.resamples,
            by=("operator", "period"),
            jobs=options.jobs,
            seed=options.seed,
        )
        print(f"{recipe}: {time.perf_counter() - started:.0f} s", file=sys.stderr)
        print(report.table.round(3).to_string(index=False))
        for row in report.comparisons:
            print(
                f"{row.measure} {row.end} to session {row.horizon}: {row.model:.4f}, {row.other} {row.baseline:.4f}, "
                f"difference {row.difference:+.4f} ({row.low:+.4f} to {row.high:+.4f})"
            )
        print(f"{recipe}: {report.verdict.standing}; {'; '.join(report.verdict.reasons) or 'no blemish'}")
        reports.append(report)
    for path in write_report(reports, options.out):
        print(path)


if __name__ == "__main__":
    main()
