"""Learning curve: how wrong forecasts are after 0, 10, 30, 100 and 300 own cases, starting from published averages.

Method. Clinics are drawn from textbook hazards with stated coefficients (`known`), whose levels are moved to make an
ordinary practice, a quick one and a slow one. For each size the published model is updated with the practice's cases;
beside it stand the published model as it is, and `core` fitted by the Bayesian route to the own cases alone (its least
numbers of cases waived). The error is the mean absolute difference between the mean forecast of relief by sessions 1
to 3 and the truth, over 100 new eyes of the practice with a new operator. Practices are independent, so the spread over
them gives the Monte-Carlo error of a mean, and of the mean difference of two models on the same practices. Updating is
worse where its error is more by half an eye of 100, beyond two Monte-Carlo errors.

    python -m reports.learning [--practices 40] [--jobs 2] [--json FILE]
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from joblib import Parallel, delayed

import retreat
import synthetic
from retreat.definitions import Gates, read_definition

SIZES = (0, 10, 30, 100, 300)
N_NEW, SESSIONS = 100, 3
# half an eye of 100: a difference of errors that no patient would notice
WORSE = 0.005
# added to the log odds of relief at every session
PRACTICES = {"ordinary": 0.0, "quick": 1.0, "slow": -1.0}


def practice(shift: float, seed: int, cases: int) -> synthetic.Clinic:
    """Cases of a practice, and the truth about them: the textbook scenario with the levels of relief moved."""
    levels = "[0.40, 0.30, 0.10, 0.00, -0.10]"
    text = (Path(synthetic.__file__).parent / "scenarios" / "known.toml").read_text(encoding="utf-8")
    if text.count(levels) != 1:
        raise ValueError(f"known.toml no longer has the levels {levels}")
    moved = [round(level + shift, 2) for level in json.loads(levels)]
    with tempfile.TemporaryDirectory() as folder:
        scenario = Path(folder) / "known.toml"
        scenario.write_text(text.replace(levels, json.dumps(moved)), encoding="utf-8")
        return synthetic.make(scenario, seed=seed, cases=cases)


def one_practice(shift: float, seed: int) -> list[dict[str, Any]]:
    """Errors of each model at each size."""
    own = pd.DataFrame(practice(shift, seed, SIZES[-1]).cases)
    new = practice(shift, 10**6 + seed, N_NEW)
    eyes = pd.DataFrame(new.cases).assign(sessions="0", ending="ongoing")
    true = np.array([new.truth[f"relieved_{k + 1}_new_operator"] for k in range(SESSIONS)]).T
    start = retreat.published(seed=seed)
    open_gates = replace(read_definition("core"), gates=Gates(min_cases=1, min_ended=1))
    found = []
    for size in SIZES:
        cases = own.head(size)
        models = {"published": start}
        models["updated"] = start
        if size:
            models["updated"] = retreat.update(start, cases, folds=2, seed=seed).model
            models["own cases alone"] = retreat.fit(cases, open_gates, method="bayes", seed=seed)
        for name, model in models.items():
            said = model.expected(eyes, horizon=SESSIONS)[:, 0]
            found.append({"cases": size, "model": name, "error": float(np.abs(said - true).mean())})
    return found


def table(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Mean error, Monte-Carlo error and paired difference from the updated model, by practice, size and model."""
    frame = pd.DataFrame(rows)
    keys = ["practice", "cases", "seed"]
    updated = frame[frame.model == "updated"].set_index(keys)["error"]
    frame["less"] = frame["error"] - frame.set_index(keys).index.map(updated)
    grouped = frame.groupby(["practice", "cases", "model"], sort=False)
    return pd.DataFrame(
        {
            "error": grouped["error"].mean(),
            "mc_error": grouped["error"].sem(),
            "more_than_updated": grouped["less"].mean(),
            "more_mc_error": grouped["less"].sem(),
        }
    ).reset_index()


def failures(found: pd.DataFrame) -> Iterator[str]:
    """Where updating is worse than own cases alone, or does not beat the model as it was where the practice differs."""
    for row in found.itertuples():
        where = f"{row.practice}, {row.cases} cases"
        if row.model == "own cases alone" and row.more_than_updated + 2 * row.more_mc_error < -WORSE:
            yield f"{where}: own cases alone do better by {-row.more_than_updated:.3f}"
        differs = row.practice != "ordinary" and row.cases >= 30
        if row.model == "published" and differs and row.more_than_updated < 2 * row.more_mc_error:
            yield f"{where}: the published model as it was is no worse"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--practices", type=int, default=40, help="of each kind")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()

    work = [(kind, seed) for kind in PRACTICES for seed in range(1, options.practices + 1)]
    found = Parallel(n_jobs=options.jobs)(delayed(one_practice)(PRACTICES[kind], seed) for kind, seed in work)
    rows = [
        {"practice": kind, "seed": seed, **row}
        for (kind, seed), some in zip(work, found, strict=True)
        for row in some
    ]
    result = table(rows)
    print(
        f"Mean absolute error of relief by sessions 1 to {SESSIONS}, {options.practices} practices of each kind."
    )
    print(result.round(4).to_string(index=False))
    if options.json:
        options.json.write_text(json.dumps(result.to_dict("records"), indent=1), encoding="utf-8")
    wrong = list(failures(result))
    for line in wrong:
        print(line)
    if wrong:
        sys.exit(1)
    print(
        f"Updating is nowhere worse than own cases alone by {WORSE}, and beats the published model where the practice "
        "differs."
    )


if __name__ == "__main__":
    main()
