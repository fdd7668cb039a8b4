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

from reports import speed_optimism
from reports.speed_courses import ENDS, LAST, read_courses, write_courses

__all__ = ["forecast", "retreat_fit", "statsmodels_fit", "write_courses"]


def measured(work: Callable[[], Any], repeats: int) -> tuple[Any, float, float]:
    """Result, median seconds, and rise of peak resident memory in megabytes."""
    before, seconds = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, []
    for _ in range(repeats):
        start = time.perf_counter()
        result = work()
        seconds.append(time.perf_counter() - start)
    rise = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024  # kilobytes on Linux
    return result, statistics.median(seconds), rise


def retreat_fit(folder: str, repeats: int) -> dict[str, Any]:
    """The fit by retreat."""
    from retreat.fitting import LogisticHazard

    data = read_courses(folder)
    fit, seconds, rise = measured(lambda: LogisticHazard().fit(*data), repeats)
    return {"coefficients": fit.coef_.ravel().tolist(), "seconds": seconds, "megabytes": rise}


def statsmodels_fit(folder: str, repeats: int) -> dict[str, Any]:
    """The fit by statsmodels on one row a case and session, building the rows included."""
    import statsmodels.api as sm

    X, sessions, ending = read_courses(folder)

    def work() -> Any:
        case = np.repeat(np.arange(len(X)), sessions)
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
    expected, seconds, _ = measured(lambda: model.expected(new, horizon=horizon), 3)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024  # of the process, fit included
    loop, loop_seconds, _ = measured(lambda: by_loop(model, new.iloc[:looped], horizon), 1)
    return {
        "seconds": seconds,
        "peak_megabytes": peak,
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


def optimism_retreat(n_cases: int, resamples: int) -> dict[str, Any]:
    """See `reports.speed_optimism`."""
    return speed_optimism.by_retreat(n_cases, resamples)


def optimism_statsmodels(n_cases: int, resamples: int) -> dict[str, Any]:
    """See `reports.speed_optimism`."""
    return speed_optimism.by_statsmodels(n_cases, resamples)


def optimism_sklearn(n_cases: int, resamples: int) -> dict[str, Any]:
    """See `reports.speed_optimism`."""
    return speed_optimism.by_sklearn(n_cases, resamples)


def posterior_by(way: str, model: str, n_cases: int, seed: int) -> dict[str, Any]:
    """See `reports.speed_posterior`."""
    from reports import speed_posterior  # brings the samplers with it

    return speed_posterior.posterior_by(way, model, n_cases, seed)


def wall(command: list[str], environment: dict[str, str]) -> float:
    """Seconds a command takes from start to end."""
    start = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True, env=environment)
    return time.perf_counter() - start


if __name__ == "__main__":
    task, settings = sys.argv[1:]
    print(json.dumps(globals()[task](**json.loads(settings))))
