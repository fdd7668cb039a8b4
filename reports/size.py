"""Size of a study: closed criteria against published examples, and simulation against what the criteria promise.

Method. (1) The closed criteria at the inputs of published examples, beside the numbers of the authors' own packages
(pmsampsize 0.1.0, pmvalsampsize 0.2.1). (2) A yes-or-no outcome fitted by maximum likelihood with as many eyes as
criterion (i) asks for: the mean calibration slope should be near 0.9. (3) Whole courses with two competing ends, the
same by the mapping of `size_by_end`, eyes within patients. (4) An effect of none: studies that find it should be 5 of
100. (5) The default grid of `core`, timed.

Everything is simulated from priors and an assumed case mix; nothing here was seen in a patient.

    python -m reports.size [--studies 400] [--json FILE]
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from typing import Any

from retreat.study.size import (
    Effect,
    external_validation_size,
    least_for_rate,
    least_for_share,
    of_definition,
    protocol,
    simulate_size,
    size_by_end,
)
from retreat.study.size.external import normal_predictor

# every level common and nobody lost, so that maximum likelihood exists in nearly every study
EVEN = {
    "opacity": {"ring": 0.4, "strand": 0.2, "cloud": 0.2, "sheet": 0.2},
    "corneal_surgery": {"no": 0.6, "yes": 0.4},
    "size_mm": (1.0, 2.5, 8.0),
    "depth": (0.1, 0.5, 0.9),
}


def published() -> list[dict[str, Any]]:
    """Closed criteria beside published numbers."""
    binary = least_for_share(r_squared=0.288, parameters=24, share=0.174)
    timed = least_for_rate(r_squared=0.051, parameters=30, rate=0.065, follow_up=2.07, horizon=2)
    lp, weights = normal_predictor(-1.75, 1.22)
    outside = external_validation_size(
        share=0.2, concordance=0.78, predictor=lp, weights=weights, standard_error="published"
    )
    return [
        {
            "example": "Chagas disease",
            "found": [binary.shrinkage, binary.optimism, binary.overall],
            "published": [623, 662, 221],
        },
        {
            "example": "recurrent thrombosis",
            "found": [timed.shrinkage, timed.optimism],
            "published": [5143, 1039],
        },
        {
            "example": "validation, share 0.2, concordance 0.78",
            "found": [outside.observed_expected, outside.slope, outside.concordance],
            "published": [1538, 2955, 511],
        },
    ]


def promised(definition: str, eyes_per_patient: float, horizon: int, studies: int) -> dict[str, Any]:
    """Slope with as many eyes as the criterion for a shrinkage of 0.9 asks for."""
    scenario = of_definition(
        definition,
        effects="mean",
        mix=EVEN,
        eyes_per_patient=eyes_per_patient,
        lost=0.05 if horizon > 1 else 0.0,
    )
    first = size_by_end(scenario, horizon=horizon)[0]
    found = simulate_size(
        scenario, eyes=[first.shrinkage], studies=studies, horizon=horizon, penalty=0.0, seed=1
    )
    slope = found.points[0].slope[first.end]
    return {
        "definition": definition,
        "eyes_per_patient": eyes_per_patient,
        "eyes": first.shrinkage,
        "slope": slope.value,
        "monte_carlo_error": slope.error,
        "failures": found.points[0].failures,
        "coverage": found.points[0].coverage.value,
    }


def of_none(studies: int) -> dict[str, Any]:
    """Share of studies that find an effect of none."""
    effect = Effect("corneal_surgery=yes", "relieved", 1.0)
    scenario = of_definition("core", effects="mean", mix=EVEN, effect=effect)
    power = simulate_size(scenario, eyes=[400], studies=studies, penalty=0.0, seed=1).points[0].power
    assert power is not None
    return {"found": power.value, "monte_carlo_error": power.error}


def main() -> None:
    """Run the report."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--studies", type=int, default=400)
    parser.add_argument("--json", type=Path)
    given = parser.parse_args()
    closed = published()
    print("Closed criteria, found and published:")
    for one in closed:
        print(f"  {one['example']}: {one['found']}, {one['published']}")
    slopes = [
        promised("second_session", 1.0, 1, given.studies),
        promised("core", 1.0, 2, given.studies),
        promised("core", 1.5, 2, given.studies),
    ]
    print("Mean slope with as many eyes as asked for (0.9 promised):")
    for row in slopes:
        print(
            f"  {row['definition']}, {row['eyes_per_patient']:g} eyes a patient, {row['eyes']} eyes: "
            f"{row['slope']:.3f} ({row['monte_carlo_error']:.3f}), {100 * row['failures']:.0f}% without estimate, "
            f"coverage of the typical eye {row['coverage']:.2f}"
        )
    none = of_none(given.studies)
    print(f"An effect of none is found in {100 * none['found']:.1f}% ({100 * none['monte_carlo_error']:.1f})")
    start = time.perf_counter()
    grid = simulate_size(of_definition("core", effect=Effect("corneal_surgery=yes", "relieved", 0.5)))
    seconds = time.perf_counter() - start
    print(f"Default grid of core: {seconds:.0f} s")
    for line in protocol(grid):
        print(f"  {line}")
    if given.json:
        told = {"closed": closed, "slopes": slopes, "none": none, "grid": grid.to_json(), "seconds": seconds}
        given.json.write_text(json.dumps(told, indent=2), encoding="utf-8")


if __name__ == "__main__":
    main()
