"""Calibration of `core`, logistic and Bayesian, on an invented clinic: page, JSON and CSV.

Method. One invented clinic (law `burden`, so every model is wrong about it). For each method the whole recipe is
fitted again in each fold of a cross-validation by patient. Observed incidence is Aalen and Johansen's; calibration at
sessions 1 to 4 is by jackknife pseudo-values; Brier and log scores stand beside the life table on the same folds.

    python -m reports.calibration --out calibration [--methods logistic,bayes] [--folds 5] [--scenario established]
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


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--out", type=Path, default=Path("calibration"))
    parser.add_argument("--methods", default="logistic,bayes", help="comma-separated")
    parser.add_argument("--folds", type=int, default=5)
    parser.add_argument("--scenario", default="established")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()

    clinic = synthetic.make(options.scenario, seed=options.seed, truth=False)
    cases = pd.DataFrame(clinic.cases)
    reports = []
    for method in options.methods.split(","):
        started = time.perf_counter()
        report = retreat.validate(cases, "core", method=method, folds=options.folds, seed=options.seed)
        print(f"{method}: {time.perf_counter() - started:.0f} s", file=sys.stderr)
        print(report.table.round(3).to_string(index=False))
        for row in report.comparisons:
            print(
                f"{row.measure} {row.end} to session {row.horizon}: {row.model:.4f}, life table {row.baseline:.4f}, "
                f"difference {row.difference:+.4f} ({row.low:+.4f} to {row.high:+.4f})"
            )
        reports.append(report)
    for path in write_report(reports, options.out):
        print(path)


if __name__ == "__main__":
    main()
