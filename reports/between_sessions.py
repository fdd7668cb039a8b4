"""Forecasts after sessions on fresh invented clinics: what `progress` gains over a model blind to history, and slopes.

Method. `progress` and `core` (Bayesian) are fitted to a quarter of the patients of one invented clinic (`established`,
8,000 cases, seed 21 if not told: about 2,000 eyes). Other clinics with other operators, eyes and luck (seeds from 201,
2,000 cases each) are forecast after 1, 2 and 3 sessions: eyes that had a further one, with a size noted, for which
`core` speaks.
Told are the mean log score of the next session (relieved, stopped, going on) with its gain over `core`, and for relief
at the next session, relief within the next two and stopping at the next the mean forecast, the share seen and the
calibration slope (logistic regression on the logit of the forecast, Cox 1958). Errors count patients, not eyes. Eyes
lost after the next session count in "within two" by the eyes that were not (inverse probability weights).

Goal: the gain's interval excludes 0, slopes between .9 and 1.1. The errors are of the eyes forecast; the fit of one
clinic errs too, which other seeds of it show. A fit that fails its gates gives no forecast, and ends the report.

    python -m reports.between_sessions [--model FILE --core FILE | --seed 21] [--clinics 12] [--draws 200] [--json FILE]
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import retreat
import synthetic
from retreat.tables import as_cases, as_visits

LANDMARKS = (1, 2, 3)
LEAST = 1e-6


def clinic(seed: int, cases: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Cases that have begun, and their visits, of an invented clinic; its keys end with the seed."""
    made = synthetic.make("established", seed=seed, cases=cases, truth=False)
    cases_table = as_cases(pd.DataFrame(made.cases))
    visits = as_visits(pd.DataFrame(made.visits), cases_table)
    for table, names in ((cases_table, ("case", "patient")), (visits, ("case",))):
        for name in names:
            table[name] = table[name].astype(str) + f"x{seed}"
    return cases_table, visits


def fitted(seed: int) -> tuple[retreat.Model, retreat.Model]:
    """`progress` and `core` of a quarter of the patients of a clinic."""
    cases, visits = clinic(seed, 8_000)
    patients = np.unique(cases["patient"])
    np.random.default_rng(5).shuffle(patients)
    cases = cases[cases["patient"].isin(patients[: len(patients) // 4])].reset_index(drop=True)
    visits = visits[visits["case"].isin(cases["case"])]
    print(f"{len(cases)} cases fitted", flush=True)
    return retreat.fit(cases, "progress", visits=visits, seed=1), retreat.fit(cases, method="bayes", seed=1)


def slope(
    chance: np.ndarray, seen: np.ndarray, weight: np.ndarray, patient: np.ndarray
) -> tuple[float, float]:
    """Calibration slope and its error, patients independent."""
    import statsmodels.api as sm

    X = sm.add_constant(np.log(chance / (1.0 - chance)))
    mean = sm.GLM(seen, X, family=sm.families.Binomial(), var_weights=np.maximum(weight, 1e-9)).fit()
    fitted_chance = mean.fittedvalues
    # the library's errors by cluster do not know weights
    bread = np.linalg.inv((X * (weight * fitted_chance * (1.0 - fitted_chance))[:, None]).T @ X)
    scores = pd.DataFrame(X * (weight * (seen - fitted_chance))[:, None]).groupby(patient).sum().to_numpy()
    return float(mean.params[1]), float(np.sqrt((bread @ scores.T @ scores @ bread)[1, 1]))


def after(
    landmark: int, models: dict[str, retreat.Model], cases: pd.DataFrame, visits: pd.DataFrame, draws: int
) -> list[dict[str, Any]]:
    """One row a model, `core` first."""
    later = cases[cases["sessions"] > landmark].reset_index(drop=True)
    told = [name for name in ("ending", "stop_reason", "relief_after") if name in later]
    now = later.assign(sessions=landmark).drop(columns=told)
    inside = np.array([not support.refusals for support in models["core"].support_of(now)])
    later, now = later[inside].reset_index(drop=True), now[inside].reset_index(drop=True)
    ends_next = (later["sessions"] == landmark + 1).to_numpy()
    ending, patient = later["ending"].to_numpy(), later["patient"].to_numpy()
    relieved, stopped = ends_next & (ending == "relieved"), ends_next & (ending == "stopped")
    ended = ends_next & (ending != "ongoing")
    lost = ends_next & ~ended
    weight = np.where(ended, 1.0, np.where(lost, 0.0, 1.0 / (1.0 - lost.sum() / (~ended).sum())))
    within = (later["sessions"] <= landmark + 2).to_numpy() & (ending == "relieved")
    seen_visits = visits[visits["case"].isin(later["case"]) & (visits["session"] <= landmark)]
    rows: list[dict[str, Any]] = []
    scores: dict[str, np.ndarray] = {}
    for name, model in models.items():
        shown = seen_visits if name == "progress" else None
        pmf = model.forecast(now, visits=shown, horizon=landmark + 2, draws=draws).pmf.mean(axis=0)
        chance = {
            "next": np.clip(pmf[:, 0, landmark], LEAST, 1 - LEAST),
            "within two": np.clip(pmf[:, 0, landmark : landmark + 2].sum(axis=1), LEAST, 1 - LEAST),
            "stopped": np.clip(pmf[:, 1, landmark], LEAST, 1 - LEAST),
        }
        on = np.clip(1.0 - chance["next"] - chance["stopped"], LEAST, 1.0)
        scores[name] = np.log(np.where(relieved, chance["next"], np.where(stopped, chance["stopped"], on)))
        row: dict[str, Any] = {
            "after": landmark,
            "model": name,
            "eyes": len(later),
            "log": float(scores[name].mean()),
        }
        one = np.ones(len(later))
        for event, happened, w in (
            ("next", relieved, one),
            ("within two", within, weight),
            ("stopped", stopped, one),
        ):
            row[f"{event}: said"] = float(np.average(chance[event], weights=w))
            row[f"{event}: seen"] = float(np.average(happened, weights=w))
            row[f"{event}: slope"], row[f"{event}: error"] = slope(chance[event], happened * 1.0, w, patient)
        rows.append(row)
    gain = pd.Series(scores["progress"] - scores["core"])
    by_patient = (gain - gain.mean()).groupby(patient).sum()
    error = float(np.sqrt((by_patient**2).sum())) / len(gain)
    rows[-1] |= {"gain": float(gain.mean()), "gain: error": error}
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--model", type=Path, help="saved progress, in place of a fit")
    parser.add_argument("--core", type=Path, help="saved core of the same cases")
    parser.add_argument("--seed", type=int, default=21, help="of the clinic fitted")
    parser.add_argument("--clinics", type=int, default=12)
    parser.add_argument("--draws", type=int, default=200, help="of each forecast; few make it look too sharp")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()

    saved = (options.model, options.core)
    progress, core = map(retreat.load, saved) if options.model else fitted(options.seed)
    parts = [clinic(201 + i, 2_000) for i in range(options.clinics)]
    cases, visits = (pd.concat(tables, ignore_index=True) for tables in zip(*parts, strict=True))
    cases = cases[(cases["sessions"] > 0) & cases["size_mm"].notna()].reset_index(drop=True)
    rows = []
    for landmark in LANDMARKS:
        for row in after(landmark, {"core": core, "progress": progress}, cases, visits, options.draws):
            rows.append(row)
            print({key: round(v, 3) if isinstance(v, float) else v for key, v in row.items()}, flush=True)
    if options.json:
        options.json.write_text(json.dumps(rows, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
