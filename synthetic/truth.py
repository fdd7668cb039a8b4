"""True chances of every case under the law `burden`, by simulating its course many times over.

Each repeat draws new luck and a new patient effect; the case keeps its features. Nobody is lost and the books
never close. Along a simulated course the chances of relief and of stopping are added up instead of being
drawn, which has the same mean and a far smaller error.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from synthetic import burden
from synthetic.burden import Effects, Eyes
from synthetic.scenario import ENDS, Scenario

HORIZON = 8
BLOCK = 60_000  # cases times repeats held at once: small arrays stay in the processor's cache


class Error(NamedTuple):
    """Monte-Carlo standard error of the truth, over all cases, ends and sessions."""

    repeats: int
    mean: float
    largest: float


def simulate(
    eyes: Eyes,
    skill: np.ndarray,
    policy: np.ndarray,
    site_policy: np.ndarray,
    scenario: Scenario,
    seed: list[int],
) -> tuple[dict[str, np.ndarray], Error]:
    """Return the cumulative incidence of each end by sessions 1 to 8, and the Monte-Carlo error.

    Parameters
    ----------
    eyes : Eyes
    skill, policy, site_policy : array of shape (cases,)
        Effects of each case's own operator and site.
    scenario : Scenario
    seed : list of int

    Returns
    -------
    tuple
        ``{"relieved_1": (cases,), ..., "stopped_8_new_operator": (cases,)}`` and the `Error`.
    """
    rng, n = np.random.default_rng(seed), len(eyes.focus)
    repeats = int(scenario.values["truth"]["repeats"])
    columns = [
        f"{end}_{k}{tail}" for tail in ("", "_new_operator") for end in ENDS for k in range(1, HORIZON + 1)
    ]
    total = np.zeros((2, 2, HORIZON, n))  # (own or new operator, ends, sessions, cases)
    square = np.zeros_like(total)
    step = max(1, BLOCK // n)
    for first in range(0, repeats, step):
        shape = (min(step, repeats - first), n)
        patient = burden.draw_patients(scenario, shape, rng)
        new = burden.draw_operators(scenario, shape, rng)
        for whose, (a, b) in enumerate([(skill, policy), new]):
            one = incidence(eyes, Effects(a, b + site_policy, *patient), scenario, shape, rng)
            total[whose] += one.sum(axis=2)
            square[whose] += (one * one).sum(axis=2)
    mean = total / repeats
    error = np.sqrt(np.maximum(square / repeats - mean**2, 0) / max(repeats - 1, 1))
    table = dict(zip(columns, mean.reshape(-1, n), strict=True))
    return table, Error(repeats, float(error.mean()), float(error.max()))


def incidence(
    eyes: Eyes, effects: Effects, scenario: Scenario, shape: tuple[int, int], rng: np.random.Generator
) -> np.ndarray:
    """Return cumulative incidence along each simulated course, shape (ends, sessions, repeats, cases)."""
    s = scenario.values["burden"]
    harmed = s["event"] * s["event_stops"]
    out = np.zeros((2, HORIZON, *shape))
    state, inside, sums = burden.begin(eyes, shape), np.ones(shape), np.zeros((2, *shape))
    for k in range(HORIZON):
        state, done = burden.treat(eyes, state, effects, k + 1, scenario, rng)
        stopped = done.stopped + harmed * (1 - done.relieved - done.stopped)
        sums[0] += inside * done.relieved
        sums[1] += inside * stopped
        inside = inside * (1 - done.relieved - stopped)
        out[:, k] = sums
    return out
