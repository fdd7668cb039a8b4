"""The Cox trap: a continuous-time Cox model on the session clock misstates relief; the discrete hazard does not.

Method. Invented clinics (law `known`; nothing missing) are drawn with seeds 1, 2, ... and relief by sessions 1 to 3
is predicted for 100,000 cases of the same law that no clinic holds, by

- the discrete hazard: `LogisticHazard` by maximum likelihood on the coded columns of `core`;
- Cox models of relief and of stopping (statsmodels PHReg, ties by Breslow or Efron, baseline hazard of Breslow,
  b = hazard summed by session k times exp(x'b)), the other end taken as lost. From them:
  - "1 - exp(-sum), ends ignored": the chance of relief as if nobody stopped, as most software gives it; too low by the
    clock and too high by the ends, so that its two errors may cancel at a later session, which is luck;
  - "exp(-sum), ends competing": staying is exp(-(sum of both)), what leaves at a session is shared by the hazards;
  - "product, ends competing": the same hazards as chances of a session, staying is prod(1 - both), never below 0.
    This mends the clock by hand; hazards of both ends that add to more than 1 are counted.

Error of a model at a session, in percentage points: mean prediction less observed share (Aalen-Johansen, so that
those lost count while followed), and the mean absolute difference of the two over tenths of the prediction. Both are
averaged over clinics; the Monte-Carlo error is that of the average.

    python -m reports.cox_trap [--clinics 20] [--cases 900] [--fresh 100000] [--jobs 1] [--json FILE]
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np
import pandas as pd
import statsmodels.api as sm
from joblib import Parallel, delayed

import synthetic
from retreat.definitions import read_definition
from retreat.fitting import LogisticHazard
from retreat.fitting.design import Design, design
from retreat.validation import aalen_johansen

SESSIONS, ENDS, TENTHS = 3, 2, 10
FRESH_SEED = 10**6
DISCRETE = "discrete hazard"


def coded(seed: int, n_cases: int) -> Design:
    """Cases of the stated law, coded as `core` codes them."""
    clinic = synthetic.make("known", seed=seed, cases=n_cases, truth=False)
    return design(pd.DataFrame(clinic.cases), read_definition("core"))


def cox_hazards(clinic: Design, X: np.ndarray, ties: str) -> np.ndarray:
    """Hazard added at each session for each end by one Cox model an end, shape (cases, ends, sessions)."""
    added = []
    for end in range(1, ENDS + 1):
        status = (clinic.ending == end).astype(int)
        fit = sm.PHReg(clinic.sessions.astype(float), clinic.X, status=status, ties=ties).fit()
        clock, cumulative, _ = fit.baseline_cumulative_hazard[0]
        # statsmodels gives the hazard summed before each time: what is summed before session k + 1 is that by k
        by = [cumulative[clock == k + 1].item() for k in range(SESSIONS + 1)]
        added.append(np.exp(X @ fit.params)[:, None] * np.diff(by))
    return np.stack(added, axis=1)


def predictions(clinic: Design, X: np.ndarray) -> tuple[dict[str, np.ndarray], dict[str, float]]:
    """Predicted relief (cases, sessions) of every model, and the share of cases whose hazards add to more than 1."""
    discrete = LogisticHazard(session_effect="smooth", pool_below=5)
    incidence = discrete.fit(clinic.X, clinic.sessions, clinic.ending).predict_incidence(X, SESSIONS)
    found, over = {DISCRETE: incidence[:, 0]}, {}
    for ties in ("breslow", "efron"):
        added = cox_hazards(clinic, X, ties)
        both = added.sum(axis=1)  # (cases, sessions)
        relief = added[:, 0]
        found[f"Cox {ties}, 1 - exp(-sum), ends ignored"] = -np.expm1(-np.cumsum(relief, axis=1))
        leaving = {"exp(-sum)": -np.expm1(-both), "product": np.minimum(both, 1.0)}
        for form, leaves in leaving.items():
            staying = np.cumprod(1.0 - leaves, axis=1)
            before = np.concatenate([np.ones((len(X), 1)), staying[:, :-1]], axis=1)
            found[f"Cox {ties}, {form}, ends competing"] = np.cumsum(before * leaves * relief / both, axis=1)
        over[ties] = float((both > 1.0).any(axis=1).mean())
    return found, over


def observed_share(fresh: Design, rows: np.ndarray, session: int) -> float:
    """Share relieved by the session among these cases."""
    found = aalen_johansen(fresh.sessions[rows], fresh.ending[rows], n_ends=ENDS, horizon=session)
    return float(found.incidence[0, -1])


def errors(predicted: np.ndarray, fresh: Design) -> np.ndarray:
    """Points of bias and of mean absolute error over tenths, shape (sessions, 2)."""
    out = []
    for k in range(SESSIONS):
        p = predicted[:, k]
        by_tenth = [
            p[rows].mean() - observed_share(fresh, rows, k + 1)
            for rows in np.array_split(np.argsort(p, kind="stable"), TENTHS)
        ]
        bias = p.mean() - observed_share(fresh, np.arange(len(p)), k + 1)
        out.append([bias, np.abs(by_tenth).mean()])
    return 100.0 * np.array(out)


def one_clinic(seed: int, n_cases: int, fresh: Design) -> tuple[dict[str, np.ndarray], dict[str, float]]:
    found, over = predictions(coded(seed, n_cases), fresh.X)
    return {model: errors(predicted, fresh) for model, predicted in found.items()}, over


def trap(*, clinics: int, cases: int, fresh: int, jobs: int = 1) -> tuple[pd.DataFrame, dict[str, float]]:
    """Errors of each model at each session, averaged over clinics, none left out."""
    unseen = coded(FRESH_SEED, fresh)
    work = (delayed(one_clinic)(seed, cases, unseen) for seed in range(1, clinics + 1))
    found = Parallel(n_jobs=jobs)(work)
    rows = []
    for model in found[0][0]:
        every = np.array([one[model] for one, _ in found])  # (clinics, sessions, 2)
        mean, error = every.mean(axis=0), every.std(axis=0, ddof=1) / np.sqrt(clinics)
        for k in range(SESSIONS):
            row = {"model": model, "session": k + 1, "bias": mean[k, 0], "bias_mc_error": error[k, 0]}
            rows.append(row | {"absolute": mean[k, 1], "absolute_mc_error": error[k, 1]})
    over = {ties: float(np.mean([one[ties] for _, one in found])) for ties in found[0][1]}
    return pd.DataFrame(rows), over


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--clinics", type=int, default=20)
    parser.add_argument("--cases", type=int, default=900)
    parser.add_argument("--fresh", type=int, default=100_000)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()

    table, over = trap(clinics=options.clinics, cases=options.cases, fresh=options.fresh, jobs=options.jobs)
    print(
        f"{options.clinics} invented clinics of {options.cases} cases, measured on {options.fresh} fresh cases; "
        "relief, percentage points"
    )
    print(table.round(2).to_string(index=False))
    for ties, share in over.items():
        print(f"Cox {ties}: hazards of both ends add to more than 1 at some session for {share:.1%} of cases")
    if options.json:
        told = {"table": table.to_dict("records"), "hazards_over_1": over}
        options.json.write_text(json.dumps(told, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
