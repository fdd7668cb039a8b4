"""The pieces that `reports.speed` measures, each run in a process of its own: ``python -m reports.speed_work``."""

from __future__ import annotations

import json
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

ENDS, LAST = 2, 5
# invented: ring, strand, cloud and sheet; effects of the seven columns on relief and on stopping
KINDS = np.array([0.4, 0.25, 0.25, 0.1])
EFFECTS = np.array([[-0.6, -1.2, -1.8, -0.5, -0.6, -0.4, -0.8], [0.1, 0.2, 0.6, 0.1, 0.3, 0.2, 0.3]])
LEVELS = np.array([[0.4, 0.3, 0.1, 0.0, -0.1], [-1.8, -1.5, -1.2, -1.0, -0.9]])


def courses(n_cases: int, columns: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Invented courses with the columns of `core`, lengths as they are or recorded to half millimetres."""
    rng = np.random.default_rng(n_cases)
    kind = rng.choice(4, size=n_cases, p=KINDS)
    size, gap = rng.lognormal(1.0, 0.4, n_cases), 16.0 * rng.beta(2.5, 2.0, n_cases)
    if columns == "half_millimetres":
        size, gap = np.maximum(np.round(2 * size) / 2, 0.5), np.round(2 * gap) / 2
    deep, surgery = gap / 16.0 - 0.5, (rng.random(n_cases) < 0.25).astype(float)
    X = np.column_stack([kind == 1, kind == 2, kind == 3, np.log(size / 2), deep, surgery, surgery * deep])
    sessions, ending = np.full(n_cases, LAST), np.zeros(n_cases, dtype=np.int64)
    going_on = np.ones(n_cases, dtype=bool)
    for k in range(LAST):
        odds = np.exp(X @ EFFECTS.T + LEVELS[:, k])
        chance = np.cumsum(odds / (1 + odds.sum(axis=1, keepdims=True)), axis=1)
        way = (rng.random(n_cases)[:, None] > chance).sum(axis=1)
        here, lost = going_on & (way < ENDS), going_on & (way == ENDS) & (rng.random(n_cases) < 0.06)
        sessions[here | lost], ending[here] = k + 1, way[here] + 1
        going_on &= ~(here | lost)
    return X.astype(float), sessions, ending


def measured(work: Callable[[], Any], repeats: int) -> tuple[Any, float, float]:
    """Result, median seconds, and rise of peak resident memory in megabytes."""
    before, seconds = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, []
    for _ in range(repeats):
        start = time.perf_counter()
        result = work()
        seconds.append(time.perf_counter() - start)
    rise = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024  # kilobytes on Linux
    return result, statistics.median(seconds), rise


def retreat_fit(n_cases: int, columns: str, repeats: int) -> dict[str, Any]:
    """The fit by retreat."""
    from retreat.fitting import LogisticHazard

    data = courses(n_cases, columns)
    fit, seconds, rise = measured(lambda: LogisticHazard().fit(*data), repeats)
    return {"coefficients": fit.coef_.ravel().tolist(), "seconds": seconds, "megabytes": rise}


def statsmodels_fit(n_cases: int, columns: str, repeats: int) -> dict[str, Any]:
    """The fit by statsmodels on one row a case and session, building the rows included."""
    import statsmodels.api as sm

    X, sessions, ending = courses(n_cases, columns)

    def work() -> Any:
        case = np.repeat(np.arange(n_cases), sessions)
        session = np.arange(len(case)) - np.repeat(np.cumsum(sessions) - sessions, sessions) + 1
        y = np.where(session == sessions[case], ending[case], 0)
        rows = np.column_stack([X[case], session[:, None] == np.arange(1, LAST + 1)])
        return sm.MNLogit(y, rows).fit(method="newton", tol=1e-10, maxiter=50, disp=0)

    fit, seconds, rise = measured(work, repeats)
    coefficients = np.asarray(fit.params).reshape(-1, ENDS)[: X.shape[1]].T
    return {"coefficients": coefficients.ravel().tolist(), "seconds": seconds, "megabytes": rise}


def clinic(n_cases: int, seed: int) -> Any:
    """An invented clinic of the textbook law."""
    import pandas as pd

    import synthetic

    return pd.DataFrame(synthetic.make("known", seed=seed, cases=n_cases, truth=False).cases)


def saved_model(folder: Path) -> Path:
    """A logistic `core` of 900 cases on disk."""
    import retreat

    return retreat.fit(clinic(900, seed=1), "core").save(folder / "clinic.retreat")


def forecast(n_cases: int, n_draws: int, horizon: int, looped: int) -> dict[str, Any]:
    """Expected incidence by the model, and by a loop over the first cases scaled to all."""
    import retreat

    model = retreat.fit(clinic(900, seed=1), "core", draws=n_draws)
    new = clinic(n_cases, seed=2)
    expected, seconds, rise = measured(lambda: model.expected(new, horizon=horizon), 1)
    loop, loop_seconds, _ = measured(lambda: by_loop(model, new.iloc[:looped], horizon), 1)
    return {
        "seconds": seconds,
        "megabytes": rise,
        "loop_seconds": loop_seconds * n_cases / looped,
        "largest_difference": float(np.abs(expected[:looped] - loop).max()),
    }


def by_loop(model: Any, new: Any, horizon: int) -> np.ndarray:
    """The same, one case after another, columns written out; shape (cases, ends, horizon)."""
    size, before, behind = (
        new[c].astype(float).to_numpy() for c in ("size_mm", "lens_gap_mm", "retina_gap_mm")
    )
    deep, surgery = before / (before + behind) - 0.5, (new["cornea"] != "none").to_numpy(dtype=float)
    kinds = [(new["opacity"] == kind).to_numpy(dtype=float) for kind in ("strand", "cloud", "sheet")]
    X = np.column_stack([*kinds, np.log(size / 2), deep, surgery, surgery * deep])
    coefficients, levels = model.parameters.coefficients, model.parameters.session_effects[:, 0]
    levels = levels[..., np.minimum(np.arange(horizon), levels.shape[-1] - 1)]  # (draws, ends, horizon)
    out = []
    for x in X:
        odds = np.exp((coefficients @ x)[..., None] + levels)
        hazard = odds / (1 + odds.sum(axis=1, keepdims=True))
        after = np.cumprod(1 - hazard.sum(axis=1), axis=1)
        staying = np.column_stack([np.ones(len(after)), after[:, :-1]])
        out.append(np.cumsum(staying[:, None] * hazard, axis=2).mean(axis=0))
    return np.array(out)


def wall(command: list[str], environment: dict[str, str]) -> float:
    """Seconds a command takes from start to end."""
    start = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True, env=environment)
    return time.perf_counter() - start


if __name__ == "__main__":
    task, settings = sys.argv[1:]
    print(json.dumps(globals()[task](**json.loads(settings))))
