"""Speed: ratios against general software, measured in one run on this machine.

Method. Everything runs in processes of its own, one BLAS thread each, so that peak memory is that process's and
nothing is warm but its imports. (a) One hazard fit with two ends and the columns of `core`, continuous or with
lengths recorded to 0.5 mm, by retreat and by statsmodels (MNLogit, Newton) on one row a case and session, building
the rows included; coefficients must agree to 1e-7. (b) `retreat sheet` from a saved model to a written page against
a bare `import numpy`, alternating. (c) Expected incidence of 10,000 cases over 4,000 draws and 8 sessions against a
numpy loop over cases (timed on 500, scaled), equal to 1e-6 (single precision). (d) The Bayesian `core` against the
same model written row by row (`reports.rowwise_bayes`), CPU seconds at equal draws. (e) The optimism bootstrap of 1,000
cases against a loop of statsmodels fits and against joblib over scikit-learn on two processes
(`reports.speed_optimism`), the same optimism to 1e-3, all in turn and again. (f) The fast posterior against our NUTS,
that of PyMC, and Bambi where it is installed, CPU seconds and forecast error (`reports.speed_posterior`). Times are
medians of the repeats shown; memory is the rise of peak resident size during the work.

    python -m reports.speed [--quick] [--json FILE]
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from reports import speed_posterior, speed_work

# compiled files are kept, as on any machine in use, and the first run of a command, which makes them, is not counted
ALONE = {
    **{name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"},
    **{"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
}
SIZES = {1_000: 21, 100_000: 3, 1_000_000: 3}  # cases: repeats


def alone(task: str, **settings: Any) -> dict[str, Any]:
    """Result of one piece of `speed_work` in a process of its own."""
    run = subprocess.run(
        [sys.executable, "-m", "reports.speed_work", task, json.dumps(settings)],
        capture_output=True,
        text=True,
        env=ALONE,
        check=True,
    )
    return dict(json.loads(run.stdout.splitlines()[-1]))


def fits(sizes: dict[int, int]) -> list[dict[str, Any]]:
    """One row a size and kind of columns: both times, both rises of memory, their ratios."""
    rows = []
    for n_cases, repeats in sizes.items():
        for columns in ("continuous", "half_millimetres"):
            with tempfile.TemporaryDirectory() as folder:
                alone("write_courses", n_cases=n_cases, columns=columns, folder=folder)
                ours, theirs = (
                    alone(task, folder=folder, repeats=repeats) for task in ("retreat_fit", "statsmodels_fit")
                )
            pairs = zip(ours["coefficients"], theirs["coefficients"], strict=True)
            away = max(abs(a - b) for a, b in pairs)
            row = {"cases": n_cases, "columns": columns, "largest_difference": away, "repeats": repeats}
            row |= {f"retreat_{unit}": ours[unit] for unit in ("seconds", "megabytes")}
            row |= {f"statsmodels_{unit}": theirs[unit] for unit in ("seconds", "megabytes")}
            row["times"] = theirs["seconds"] / ours["seconds"]
            rows.append(row)
            print(
                f"(a) {n_cases:>9,} cases, {columns.replace('_', ' ')}: retreat {ours['seconds']:.4g} s and "
                f"{ours['megabytes']:.0f} MB, statsmodels {theirs['seconds']:.4g} s and "
                f"{theirs['megabytes']:.0f} MB: {row['times']:.1f} times as fast, "
                f"coefficients within {away:.0e}, median of {repeats}"
            )
            if not away < 1e-7:
                raise SystemExit("the two fits differ: no comparison of speed")
    return rows


def cold_sheet(runs: int) -> dict[str, float]:
    """Seconds from a cold start to a written sheet, and of a bare import of numpy."""
    with tempfile.TemporaryDirectory() as folder:
        model = speed_work.saved_model(Path(folder))
        features = (
            "--opacity",
            "ring",
            "--size-mm",
            "2",
            "--zone",
            "middle",
            "--cornea",
            "none",
            "--lens",
            "natural",
        )
        page = str(Path(folder) / "sheet.html")
        sheet = [sys.executable, "-m", "retreat", "sheet", str(model), *features, "--out", page]
        bare = [sys.executable, "-c", "import numpy"]
        speed_work.wall(sheet, ALONE)
        times: dict[str, list[float]] = {"sheet": [], "numpy": []}
        for _ in range(runs):
            times["sheet"].append(speed_work.wall(sheet, ALONE))
            times["numpy"].append(speed_work.wall(bare, ALONE))
    found = {name: statistics.median(values) for name, values in times.items()}
    found["ratio"] = found["sheet"] / found["numpy"]
    print(
        f"(b) sheet {found['sheet'] * 1000:.0f} ms, import numpy {found['numpy'] * 1000:.0f} ms: "
        f"{found['ratio']:.2f} times, medians of {runs} alternating runs"
    )
    return found


def forecasts(n_cases: int) -> dict[str, Any]:
    """Expected incidence of many cases, by the model and by a loop."""
    found = alone("forecast", n_cases=n_cases, n_draws=4000, horizon=8, looped=500)
    print(
        f"(c) {n_cases:,} cases x 4,000 draws x 8 sessions: model.expected {found['seconds']:.2f} s, "
        f"process peak {found['peak_megabytes']:.0f} MB; loop {found['loop_seconds']:.1f} s (500 cases, scaled): "
        f"{found['loop_seconds'] / found['seconds']:.1f} times as fast, within {found['largest_difference']:.0e}"
    )
    return found


def bayes() -> dict[str, Any] | None:
    """Bayesian fits, where the row-by-row model is there."""
    if importlib.util.find_spec("reports.rowwise_bayes") is None:
        print("(d) left out: reports/rowwise_bayes.py is not there")
        return None
    from reports import rowwise_bayes

    return dict(rowwise_bayes.compare())


def optimism(n_cases: int, resamples: int, rounds: int) -> dict[str, Any]:
    """The optimism bootstrap by retreat and by two peers, in turn, so many rounds."""
    runs: dict[str, list[dict[str, Any]]] = {"retreat": [], "statsmodels": [], "sklearn": []}
    for _ in range(rounds):
        for name, done in runs.items():
            done.append(alone(f"optimism_{name}", n_cases=n_cases, resamples=resamples))
    found = {name: done[0] | _middle_and_best(done, "seconds") for name, done in runs.items()}
    ours = found["retreat"]
    ours |= _middle_and_best(runs["retreat"], "seconds_on_two_cores")
    print(
        f"(e) optimism of {n_cases:,} cases, {resamples:,} resamples, median (best) of {rounds} rounds: retreat "
        f"{ours['seconds']:.2f} ({ours['best_seconds']:.2f}) s on one core, {ours['seconds_on_two_cores']:.2f} "
        f"({ours['best_seconds_on_two_cores']:.2f}) s on two"
    )
    for name in ("statsmodels", "sklearn"):
        theirs = found[name]
        away = max(abs(theirs["optimism"][m] - gap) for m, gap in ours["optimism"].items())
        theirs |= {
            "largest_difference": away,
            "times": theirs["seconds"] / ours["seconds"],
            "times_at_best": theirs["best_seconds"] / ours["best_seconds"],
            "times_on_two_cores": theirs["seconds"] / ours["seconds_on_two_cores"],
        }
        print(
            f"    {name} {theirs['seconds']:.1f} ({theirs['best_seconds']:.1f}) s on "
            f"{'one core' if theirs['cores'] == 1 else 'two cores'}: retreat is {theirs['times']:.1f} "
            f"({theirs['times_at_best']:.1f}) times as fast on one core, {theirs['times_on_two_cores']:.1f} on two; "
            f"optimism within {away:.0e}"
        )
        if not away < 1e-3:
            raise SystemExit("the optimism differs: no comparison of speed")
    return found


def _middle_and_best(runs: list[dict[str, Any]], unit: str) -> dict[str, float]:
    values = [run[unit] for run in runs]
    return {unit: statistics.median(values), f"best_{unit}": min(values)}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--quick", action="store_true", help="1,000 and 100,000 cases, fewer repeats, no sampling"
    )
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()

    small = {"sizes": (300,), "seeds": 1, "ways": ("nested", "nutpie")}
    results: dict[str, Any] = {
        "fits": fits({1_000: 5, 100_000: 1} if options.quick else SIZES),
        "sheet": cold_sheet(3 if options.quick else 11),
        "forecast": forecasts(2_000 if options.quick else 10_000),
        "bayes": None if options.quick else bayes(),
        "optimism": optimism(1_000, 100, 1) if options.quick else optimism(1_000, 1_000, 5),
        "posterior": speed_posterior.posteriors(alone, **(small if options.quick else {})),
    }
    if options.json:
        options.json.write_text(json.dumps(results, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
