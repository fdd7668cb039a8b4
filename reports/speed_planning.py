"""Speed of planning: ratios and times measured in one run on this machine.

Method. Each part runs in a process of its own with one BLAS thread; times are CPU seconds, which are those of the
clock on a core that nobody else uses. An invented clinic is cut back by eight weeks, so that courses under way then
are open, and its latest 200 open cases are kept. (a) The distribution of the sessions these cases still need
together, up to 8 each, exact by convolution, each case's chances the mean over draws, against the same drawn case by
case in plain Python, 4,000 runs; goal at least 500 times faster. The two must agree: the largest distance of the
distribution functions stays below the Kolmogorov bound of 4,000 draws at the 0.1% level. (b) The whole plan of these
cases, 26 weeks ahead, mixed over 4,000 draws of the parameters: the first call, which loads what it needs, and the
median of later ones, with tables as just read and with tables checked again; goal at most 1 second, and 500 MB of
peak memory, the process whole. (c) The same with 10,500 open cases, once. Memory is peak resident size.

    python -m reports.speed_planning [--quick] [--json FILE]
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from reports.speed_planning_work import DRAWS, RUNS

ALONE = os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
# Kolmogorov's distance at the 0.1% level: 1.95 / sqrt(n) (Massey 1951, from memory)
AWAY = 1.95 / RUNS**0.5


def alone(task: str, folder: str, **settings: Any) -> dict[str, Any]:
    """Result of one part in a process of its own."""
    command = [sys.executable, "-m", "reports.speed_planning_work", task, folder, json.dumps(settings)]
    run = subprocess.run(command, capture_output=True, text=True, env=ALONE, check=True)
    return dict(json.loads(run.stdout.splitlines()[-1]))


def measured(n_open: int, n_cases: int, repeats: int) -> dict[str, Any]:
    """All parts for a clinic of so many open cases."""
    with tempfile.TemporaryDirectory() as folder:
        made = alone("prepare", folder, n_open=n_open, n_cases=n_cases)
        found = {"open": made["open"]} | alone("whole", folder, repeats=repeats, today=made["today"])
        if repeats:
            found |= alone("total", folder, repeats=20 * repeats)
    return found


def main() -> None:
    """Measure, print, and write as JSON if asked."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    found = measured(200, 3200, 2 if asked.quick else 9)
    exact, plain = 1000 * found["exact_seconds"], found["plain_seconds"]
    print(
        f"(a) total of {found['open']} open cases: exact {exact:.2f} ms, {RUNS:,} runs of plain Python {plain:.2f} s:"
    )
    print(
        f"    {found['times']:,.0f} times (goal 500); at most {found['apart']:.4f} apart (bound {AWAY:.4f})"
    )
    print(
        f"(b) whole plan, {found['open']} open cases, 26 weeks, {DRAWS:,} draws: first {found['first_seconds']:.2f} s,"
    )
    print(
        f"    later {found['sound_seconds']:.2f} s, tables checked again {found['checked_seconds']:.2f} s (goal 1);"
    )
    print(f"    peak {found['megabytes']:.0f} MB (goal 500)")
    results = {"200": found}
    if not asked.quick:
        many = measured(10_500, 160_000, 0)
        print(
            f"(c) {many['open']:,} open cases: {many['first_seconds']:.1f} s, peak {many['megabytes']:.0f} MB"
        )
        results["10500"] = many
    if asked.json:
        asked.json.write_text(json.dumps(results, indent=1) + "\n")


if __name__ == "__main__":
    main()
