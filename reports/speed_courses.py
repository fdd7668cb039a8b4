"""Invented courses for `reports.speed`: two ends, the columns of `core`."""

from __future__ import annotations

from pathlib import Path

import numpy as np

ENDS, LAST = 2, 5
NAMES = ("columns", "sessions", "ending")
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


def write_courses(n_cases: int, columns: str, folder: str) -> dict[str, int]:
    """Courses as files, so that making them adds nothing to the peak memory of a fit."""
    for name, values in zip(NAMES, courses(n_cases, columns), strict=True):
        np.save(Path(folder) / name, values)
    return {"cases": n_cases}


def read_courses(folder: str) -> list[np.ndarray]:
    """The courses of `write_courses`."""
    return [np.load(Path(folder) / f"{name}.npy") for name in NAMES]
