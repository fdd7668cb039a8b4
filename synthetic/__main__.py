"""Command line: ``python -m synthetic SCENARIO --out DIR [--seed N] [--cases N]``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from synthetic import ScenarioError, make, names


def main(arguments: Sequence[str] | None = None) -> int:
    """Make a clinic and write it; return 0, or 1 after one line on what was wrong."""
    parser = argparse.ArgumentParser(
        prog="python -m synthetic",
        description="Write the tables of an invented clinic, with the truth about every case. "
        "Never to be used with a patient.",
        epilog="example: python -m synthetic small --out clinic --seed 7",
    )
    parser.add_argument(
        "scenario", metavar="SCENARIO", help=f"{', '.join(names())}, or the path of a TOML file"
    )
    parser.add_argument("--out", required=True, metavar="DIR", help="folder to write to")
    parser.add_argument("--seed", type=int, metavar="N", help="instead of the seed of the scenario")
    parser.add_argument(
        "--cases", type=int, metavar="N", help="instead of the number of cases of the scenario"
    )
    given = parser.parse_args(arguments)
    try:
        clinic = make(given.scenario, seed=given.seed, cases=given.cases)
        files = clinic.write(given.out)
    except ScenarioError as error:
        print(f"error: {error}", file=sys.stderr)
        return 1
    made = clinic.about
    print(f"invented clinic {made['scenario']}: {made['cases']} cases, seed {made['seed']}; ", end="")
    print("never to be used with a patient")
    for path in files:
        print(path)
    return 0


if __name__ == "__main__":
    sys.exit(main())
