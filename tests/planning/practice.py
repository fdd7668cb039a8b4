"""A small practice for the planning tests: a made model, open cases with the days of their visits."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
from made_models import invented_cases, made_model

from retreat.planning.arrivals import Arrivals
from retreat.planning.gaps import Gaps
from retreat.planning.second_eyes import EDGES, SecondEyes

TODAY = date(2026, 3, 27)  # a Friday
GAPS = Gaps(
    pmf=np.array([0.0, 0.05, 0.15, 0.25, 0.3, 0.15]),
    returning=0.9,
    missed=0.1,
    rebooked=np.array([0.0, 0.3, 0.3, 0.2]),
    n_gaps=100,
)


def model(name="core", draws=20, **changes):
    return made_model(name, draws=draws, **changes)


def practice(n, seed=1, pairs=False):
    """Cases still open with their visits: one to three sessions four weeks apart, the last in the past five weeks."""
    rng = np.random.default_rng(seed)
    sessions = rng.integers(1, 4, n)
    back = rng.integers(1, 35, n)
    started = [TODAY - timedelta(days=int(b + 28 * (s - 1))) for b, s in zip(back, sessions, strict=True)]
    patient = [f"p{i // 2 if pairs else i}" for i in range(n)]
    frame = pd.DataFrame(
        invented_cases(n, seed)
        | {
            "case": [f"c{i}" for i in range(n)],
            "patient": patient,
            "eye": ["right", "left"] * (n // 2) + ["right"] * (n % 2),
            "started": [day.isoformat() for day in started],
            "sessions": sessions,
            "ending": "ongoing",
        }
    )
    rows = [(f"c{i}", j + 1, 28.0 * j, "no") for i, s in enumerate(sessions) for j in range(s)]
    return frame, pd.DataFrame(rows, columns=["case", "session", "day", "missed"])


def poisson_arrivals(rate, weeks=26, draws=7):
    return Arrivals(
        np.linspace(0.8 * rate, 1.2 * rate, draws)[:, None] * np.ones((1, weeks)), np.full(draws, np.inf)
    )


def second_eyes(rate=0.003, eligible=60, draws=5):
    """The same chance in every week since the first eye; patients first seen in the last two years."""
    spans = len(EDGES) - 1
    chance = np.linspace(0.8 * rate, 1.2 * rate, draws)[:, None] * np.ones((1, spans))
    return SecondEyes(chance, np.linspace(1, 103, eligible).astype(int))


def moments(pmf):
    k = np.arange(pmf.shape[-1])
    mean = pmf @ k
    return mean, np.sqrt(pmf @ k**2 - mean**2)
