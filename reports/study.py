"""A case series of three invented sites to the tables, figures and form of a paper, timed.

Method. The registry scenario (6000 invented cases of three sites) goes through `study_series`: flow of records and
first table by site with small counts hidden, incidence by kind with intervals from samples of patients, odds ratios and
average effects with patients as units and gaps filled by multiple imputation, equation and point chart of the fitted
model, and the reporting form with a cross-validation by patient. The folder is the one `retreat report study` writes.
Wall and CPU seconds of making and of writing are printed; it should take less than 3 minutes on two cores.

    python -m reports.study --out study [--cases 6000] [--folds 10] [--bayes] [--seed 1]
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import pandas as pd

import synthetic
from retreat.pages.study_folder import write_study
from retreat.study.series import study_series


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--out", type=Path, default=Path("study"))
    parser.add_argument("--scenario", default="registry")
    parser.add_argument("--cases", type=int)
    parser.add_argument("--definition", default="core")
    parser.add_argument("--resamples", type=int, default=500)
    parser.add_argument("--folds", type=int, default=10)
    parser.add_argument("--bayes", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()

    clinic = synthetic.make(options.scenario, seed=options.seed, cases=options.cases, truth=False)
    marks = [(time.perf_counter(), time.process_time())]
    series = study_series(
        pd.DataFrame(clinic.cases),
        options.definition,
        by="site",
        resamples=options.resamples,
        bayes=options.bayes,
        folds=options.folds,
        seed=options.seed,
    )
    marks.append((time.perf_counter(), time.process_time()))
    paths = write_study(series, options.out)
    marks.append((time.perf_counter(), time.process_time()))
    for what, before, after in zip(("made", "written"), marks, marks[1:], strict=False):
        print(f"{what}: {after[0] - before[0]:.1f} s, {after[1] - before[1]:.1f} s of CPU")
    for name, why in series.refused.items():
        print(f"not told: {name}. {why}")
    print(f"{len(paths)} files in {options.out}")


if __name__ == "__main__":
    main()
