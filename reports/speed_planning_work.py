"""The pieces that `reports.speed_planning` measures, each run in a process of its own."""

from __future__ import annotations

import json
import random
import resource
import statistics
import sys
import time
from datetime import date, timedelta
from pathlib import Path
from typing import Any

RUNS = 4000
DRAWS = 4000
WEEKS_BACK = 8
FURTHER = 8


def prepare(folder: Path, n_open: int, n_cases: int) -> dict[str, Any]:
    """Tables with so many open cases, and a model of 4,000 draws, written to a folder."""
    import pandas as pd

    import retreat
    import synthetic
    from retreat.tables import CASES, VISITS, write_table

    synthetic.make("established", seed=5, cases=n_cases, truth=False).write(folder)
    cases = retreat.read_cases(folder / "cases.csv")
    visits = retreat.read_visits(folder / "visits.csv", cases)
    retreat.fit(cases, "core", seed=1, draws=DRAWS).save(folder / "clinic.retreat")
    start = pd.to_datetime(cases["started"], errors="coerce", format="%Y-%m-%d")
    on = visits["case"].map(pd.Series(start.to_numpy(), index=cases["case"])) + pd.to_timedelta(
        visits["day"], unit="D"
    )
    today = on.max() - timedelta(weeks=WEEKS_BACK)
    visits, on = visits[on <= today], on[on <= today]
    done = visits[visits["missed"] == "no"].groupby("case")["session"].max()
    cases = cases[cases["case"].isin(done.index)].copy()
    now = cases["case"].map(done).astype("int64")
    cut = now < cases["sessions"]
    cases["sessions"] = now
    cases.loc[cut, ["ending", "stop_reason"]] = ["ongoing", "not_applicable"]
    latest = on.groupby(visits["case"]).max()
    is_open = cases["ending"] == "ongoing"
    kept = cases[is_open].set_index("case").index.to_series().map(latest).sort_values().tail(n_open).index
    cases = cases[~is_open | cases["case"].isin(kept)].reset_index(drop=True)
    visits = visits[visits["case"].isin(cases["case"])].reset_index(drop=True)
    write_table(cases, CASES, folder / "cases.parquet")
    write_table(visits, VISITS, folder / "visits.parquet")
    return {"open": int((cases["ending"] == "ongoing").sum()), "today": today.date().isoformat()}


def total(folder: Path, repeats: int) -> dict[str, Any]:
    """Seconds of the exact total and of plain Python, and how far they lie apart."""
    import numpy as np

    import retreat
    from retreat.planning.totals import convolve

    cases = retreat.read_cases(folder / "cases.parquet")
    open_cases = cases[cases["ending"] == "ongoing"].reset_index(drop=True)
    found = retreat.load(folder / "clinic.retreat").forecast(open_cases, horizon=40, draws=200)
    ended = found.pmf.mean(axis=0).sum(axis=1)  # (cases, sessions)
    pmfs = []
    for row, done in zip(ended, found.done, strict=True):
        pmf = np.zeros(FURTHER + 1)
        pmf[1:FURTHER] = row[done : done + FURTHER - 1]
        pmf[FURTHER] = 1.0 - pmf.sum()
        pmfs.append(pmf)
    convolve(*pmfs)
    seconds = []
    for _ in range(repeats):
        begun = time.process_time()
        exact = convolve(*pmfs)
        seconds.append(time.process_time() - begun)
    rng = random.Random(1)  # a simulation, not a secret
    plain = [pmf.tolist() for pmf in pmfs]
    begun = time.process_time()
    drawn = []
    for _ in range(RUNS):
        needed = 0
        for chances in plain:
            u = rng.random()
            for chance in chances:
                u -= chance
                if u < 0:
                    break
                needed += 1
        drawn.append(needed)
    plain_seconds = time.process_time() - begun
    share = np.cumsum(np.bincount(drawn, minlength=len(exact))[: len(exact)]) / RUNS
    return {
        "exact_seconds": statistics.median(seconds),
        "plain_seconds": plain_seconds,
        "times": plain_seconds / statistics.median(seconds),
        "apart": float(np.abs(share - np.cumsum(exact)).max()),
    }


def whole(folder: Path, repeats: int, today: str) -> dict[str, Any]:
    """Seconds of the first plan and of later ones, and peak memory."""
    import retreat
    from retreat.planning.capacity import Clinic
    from retreat.planning.plan import plan_of_sound

    cases = retreat.read_cases(folder / "cases.parquet")
    visits = retreat.read_visits(folder / "visits.parquet", cases)
    model = retreat.load(folder / "clinic.retreat")

    def once(make: Any) -> float:
        begun = time.process_time()
        make(model, cases, visits, clinic=Clinic(12, (0, 1, 3)), draws=DRAWS, today=date.fromisoformat(today))
        return time.process_time() - begun

    first = once(plan_of_sound)
    sound = [once(plan_of_sound) for _ in range(repeats)]
    checked = [once(retreat.plan) for _ in range(repeats)]
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    later = {
        "sound_seconds": statistics.median(sound or [first]),
        "checked_seconds": statistics.median(checked or [0.0]),
    }
    return {"first_seconds": first, **later, "megabytes": peak}


TASKS = {"prepare": prepare, "total": total, "whole": whole}

if __name__ == "__main__":
    task, folder, settings = sys.argv[1:]
    print(json.dumps(TASKS[task](Path(folder), **json.loads(settings))))
