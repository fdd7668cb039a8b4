"""Speed of forecasts that take in what the sessions showed.

Method. Parameters are made up and written below; numbers of an eye are invented. (a) The states of 10,000 eyes under
1,000 draws of the parameters, 6 sessions ahead, one simulated course a draw, against the same written as a loop over
eyes, draws and sessions in plain Python; the loop runs over a few eyes and draws, with the same random numbers, and
its time is scaled up. Both must give the same chances to 1e-9. Goal: at least 50 times. (b) The forecast of one eye
after two sessions from a saved model of 2,000 draws, from a cold start of Python to the number: wall and CPU seconds,
the best of several runs. Goal: at most 0.5 s. One BLAS thread.

    python -m reports.speed_history [--quick] [--model FILE] [--json FILE]
"""

from __future__ import annotations

import argparse
import json
import math
import os
import resource
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

from retreat.model.history import Records
from retreat.model.history.noise import Noise, noise_of
from retreat.model.history.particles import courses

ALONE = os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
STEPS = 6
COLUMNS = 7
# centre of each parameter; draws lie about it
CENTRE: dict[str, Any] = {
    "clear_level": -0.6, "clear_case": [-0.3] * COLUMNS, "clear_session": [-0.1] * 3, "clear_energy": 0.5,
    "clear_pulses": 0.1, "clear_operator": 0.0, "clear_eye_sd": 0.4, "clear_luck_sd": 0.5, "grade_sd": 0.09,
    "grade_even": 0.4, "bother_level": -0.6, "bother_case": [0.1] * COLUMNS, "bother_before": 0.9,
    "bother_removed": -1.5, "bother_share": -0.8, "bother_slope": [0.1] * COLUMNS,
    "bother_session": [0.1] * 3,
    "bother_pieces": [0.3] * COLUMNS, "bother_few": 0.1, "bother_many": 0.3, "bother_back": 0.2, "bother_later": 0.1,
    "bother_fall_sd": 0.2, "bother_eye_sd": 0.35,
    "bother_drift_sd": 0.2, "bother_noise_sd": 0.8, "before_mean": 0.6, "before_sd": 0.7,
    "fragments": [[0.3, 0.4, 0.3], [0.7, 0.2, 0.1], [0.3, 0.5, 0.2], [0.1, 0.3, 0.6]],
    "end_level": [-1.0, -2.3], "end_case": [[0.1] * COLUMNS] * 2, "end_session": [[-0.1] * 3] * 2,
    "end_removed": [0.1, 0.1], "end_share": [0.3, 0.3], "end_bother": [-0.9, 0.1], "end_before": [0.05, 0.05],
    "end_worth": [0.2, -0.4], "end_few": [0.1, 0.1], "end_many": [-0.2, -0.2], "end_operator": [0.0, 0.0],
    "end_patient": [0.6, -0.3],
}  # fmt: skip
FIXED = (
    "fragments",
    "clear_eye_sd",
    "clear_luck_sd",
    "grade_sd",
    "grade_even",
    "bother_few",
    "bother_many",
    "bother_back",
    "bother_later",
    "bother_fall_sd",
    "bother_eye_sd",
    "bother_drift_sd",
    "bother_noise_sd",
    "before_sd",
)
COLD = """
import json, resource, time
start = time.perf_counter()
import retreat
model = retreat.load({model!r})
eye = {{"case": ["a"], "opacity": ["strand"], "size_mm": [3.0], "zone": ["middle"], "cornea": ["none"],
       "lens": ["natural"], "age": [60], "relief_before": [7], "sessions": [2]}}
seen = {{"case": ["a", "a"], "session": [1, 2], "cleared": [0.3, 0.5], "fragments": ["few", "none"], "bother": [6, 5]}}
found = model.forecast(eye, visits=seen, horizon=3)
print(float(found.incidence[:, 0, 0, 2].mean()))
"""


def parameters(draws: int) -> dict[str, np.ndarray]:
    """Draws about the centres."""
    rng = np.random.default_rng(1)
    out = {}
    for name, centre in CENTRE.items():
        at = np.broadcast_to(np.asarray(centre, dtype=float), (draws, *np.shape(centre)))
        out[name] = at.copy() if name in FIXED else at + 0.1 * rng.standard_normal(at.shape)
    return out


def fresh(n: int) -> tuple[np.ndarray, Records]:
    """Eyes before their first session."""
    rng = np.random.default_rng(2)
    nothing = np.full((n, 1), np.nan)
    records = Records(
        np.zeros(n, dtype=np.int64), rng.uniform(3, 9, n), nothing, nothing, nothing, nothing, nothing
    )
    return 0.3 * rng.standard_normal((n, COLUMNS)), records


def in_arrays(p: dict[str, np.ndarray], X: np.ndarray, records: Records, z: Noise) -> np.ndarray:
    """Chance of each end at each session, mean over draws, shape (eyes, ends, sessions)."""
    nothing = np.full((len(X), 1), np.nan)
    found = courses(p, X, records, energy=nothing, pulses=nothing, horizon=STEPS, noise=z)
    return np.asarray(found.pmf.mean(axis=0))


def in_a_loop(p: dict[str, np.ndarray], X: np.ndarray, records: Records, z: Noise) -> np.ndarray:
    """The same, eye by eye, draw by draw, session by session."""
    lists = {name: values.tolist() for name, values in p.items()}
    luck, felt, pieces_at = z.luck[:, 0].tolist(), z.felt[:, 0].tolist(), z.pieces[:, 0].tolist()
    patient = z.patient[:, 0].tolist()
    draws = len(luck)
    out = np.zeros((len(X), 2, STEPS))
    for i, (x, before) in enumerate(zip(X.tolist(), records.before.tolist(), strict=True)):
        start = math.log((before + 0.5) / (10.5 - before))
        for d in range(draws):
            one = {name: values[d] for name, values in lists.items()}
            rate = (
                one["clear_level"]
                + one["clear_operator"]
                + sum(a * b for a, b in zip(one["clear_case"], x, strict=True))
            )
            mood = one["bother_level"] + sum(a * b for a, b in zip(one["bother_case"], x, strict=True))
            fall = one["bother_removed"] + sum(a * b for a, b in zip(one["bother_slope"], x, strict=True))
            case = [
                one["end_level"][j]
                + one["end_operator"][j]
                + sum(a * b for a, b in zip(one["end_case"][j], x, strict=True))
                for j in range(2)
            ]
            shown = math.exp(sum(a * b for a, b in zip(one["bother_pieces"], x, strict=True)))
            removed = counts = share = gone = logged = sensed = 0.0
            pieces, staying = 0, 1.0
            for k in range(STEPS):
                trend = min(k, 3)
                mean = rate + sum(one["clear_session"][:trend])
                eye, chance = one["clear_eye_sd"], one["clear_luck_sd"]
                among = chance**2 + k * eye**2
                log_r = (
                    mean
                    + eye**2 * logged / among
                    + math.sqrt(chance**2 + (eye * chance) ** 2 / among) * luck[d][k]
                )
                logged += log_r - mean
                each = math.exp(min(log_r, 4.0))
                removed += each
                moves = one["fragments"][pieces]
                u = pieces_at[d][k]
                pieces = 1 + (u > moves[0]) + (u > moves[0] + moves[1])
                sooner, gone, share = gone, share, 1 - math.exp(-removed)
                counted, counts = counts, 4 * (1 - math.exp(-removed / 4))
                shadow = math.exp(
                    fall * (counts - 0.7) + one["bother_share"] * (share - 0.5 - 0.6 * (counts - 0.7))
                )
                shadow += shown * (
                    one["bother_few"] * (pieces == 2)
                    + one["bother_many"] * (pieces == 3)
                    + one["bother_back"] * gone
                    + one["bother_later"] * sooner
                )
                at = mood + one["bother_before"] * start + sum(one["bother_session"][:trend])
                at += math.log(shadow)
                chance = one["bother_noise_sd"] ** 2
                if k == 0:
                    doubt = one["bother_eye_sd"] ** 2
                doubt += (one["bother_fall_sd"] * fall * (counts - counted)) ** 2
                odd = 1 / (1 + math.exp(-at - sensed))
                slope = 11 * odd * (1 - odd)
                whole = slope**2 * doubt + chance
                sensed += doubt * slope / math.sqrt(whole) * felt[d][k]
                doubt = doubt * chance / whole + one["bother_drift_sd"] ** 2
                points = min(max(11 / (1 + math.exp(-at - sensed)) - 0.5, 0.0), 10.0)
                odds = []
                for j in range(2):
                    eta = case[j] + sum(one["end_session"][j][:trend])
                    eta += one["end_removed"][j] * (counts - 0.7) + one["end_share"][j] * (share - 0.5)
                    eta += one["end_bother"][j] * (points - 4) + one["end_before"][j] * (before - 6)
                    eta += one["end_worth"][j] * (-math.expm1(-each) - 0.4) + one["end_few"][j] * (
                        pieces == 2
                    )
                    eta += one["end_many"][j] * (pieces == 3) + one["end_patient"][j] * patient[d]
                    odds.append(math.exp(eta))
                total = 1 + odds[0] + odds[1]
                out[i, 0, k] += staying * odds[0] / total
                out[i, 1, k] += staying * odds[1] / total
                staying /= total
    return out / draws


def states(eyes: int, draws: int, few_eyes: int, few_draws: int) -> dict[str, float]:
    """Arrays against the loop."""
    X, records = fresh(eyes)
    p, z = parameters(draws), noise_of(draws, 1, STEPS, 1)
    in_arrays(p, X[:200], records.rows(np.arange(200)), z)
    start = time.process_time()
    in_arrays(p, X, records, z)
    ours = time.process_time() - start
    some = np.arange(few_eyes)
    thin = {name: values[:few_draws] for name, values in p.items()}
    z_few = Noise(*(getattr(z, f)[:few_draws] for f in ("luck", "felt", "pieces", "patient", "before")))
    start = time.process_time()
    plain = in_a_loop(thin, X[some], records.rows(some), z_few)
    theirs = (time.process_time() - start) * eyes * draws / (few_eyes * few_draws)
    apart = float(np.abs(plain - in_arrays(thin, X[some], records.rows(some), z_few)).max())
    if not apart < 1e-9:
        raise SystemExit(f"the two are {apart:.1e} apart: no comparison of speed")
    return {"arrays": ours, "loop": theirs, "times": theirs / ours, "apart": apart}


def cold(model: Path, runs: int) -> dict[str, float]:
    """One forecast from a cold start."""
    best = {"wall": math.inf, "cpu": math.inf}
    for _ in range(runs + 1):  # the first writes the compiled modules
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        start = time.perf_counter()
        subprocess.run(
            [sys.executable, "-c", COLD.format(model=str(model))], env=ALONE, check=True, capture_output=True
        )
        wall = time.perf_counter() - start
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        best = {"wall": min(best["wall"], wall), "cpu": min(best["cpu"], cpu)}
    return best


def main() -> None:
    """Measure, print, and write as JSON if asked."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--model", type=Path, help="a saved model with a history, for (b)")
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    found: dict[str, Any] = {
        "states": states(1_000, 1_000, 10, 100) if asked.quick else states(10_000, 1_000, 40, 250)
    }
    s = found["states"]
    print(
        f"(a) 1,000 draws, {STEPS} sessions: arrays {s['arrays']:.1f} s, plain loop {s['loop']:,.0f} s (scaled up): "
        f"{s['times']:.0f} times (goal 50); {s['apart']:.0e} apart"
    )
    if asked.model:
        found["cold"] = cold(asked.model, 3 if asked.quick else 9)
        print(
            f"(b) one eye, cold: wall {found['cold']['wall']:.2f} s, CPU {found['cold']['cpu']:.2f} s (goal 0.5)"
        )
    if asked.json:
        asked.json.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
