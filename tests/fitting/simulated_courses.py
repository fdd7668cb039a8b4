"""Courses drawn from a stated law, and the person-session rows that other software needs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Drawn:
    """Columns (cases, columns), last sessions and endings (cases,)."""

    X: np.ndarray
    sessions: np.ndarray
    ending: np.ndarray

    @property
    def outcome(self):
        return self.sessions, self.ending


def draw(seed, *, n=300, ends=2, columns=3, last=4, link="logit"):
    """Courses of `n` cases with standard normal columns, modest effects, followed for at most `last` sessions."""
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(n, columns))
    effects = rng.normal(scale=0.5, size=(ends, columns))
    levels = rng.normal(-1.0, 0.3, size=(ends, last))
    follow_up = rng.integers(1, last + 1, size=n)
    sessions, ending = follow_up.copy(), np.zeros(n, dtype=int)
    going_on = np.ones(n, dtype=bool)
    for k in range(last):
        rates = np.exp(X @ effects.T + levels[:, k])
        total = rates.sum(axis=1)
        ended = total / (1 + total) if link == "logit" else -np.expm1(-total)
        chance = np.cumsum(rates / total[:, None] * ended[:, None], axis=1)
        way = (rng.random(n)[:, None] > chance).sum(axis=1)  # 0..ends-1, or `ends` for going on
        here = going_on & (follow_up > k) & (way < ends)
        sessions[here], ending[here] = k + 1, way[here] + 1
        going_on &= way == ends
    return Drawn(X, sessions, ending)


def rows_of(sessions, ending, X):
    """One row a case and session: case, dummies of the sessions with the columns, and how it ended there."""
    case = np.repeat(np.arange(len(sessions)), sessions)
    session = np.concatenate([np.arange(1, s + 1) for s in sessions])
    dummies = (session[:, None] == np.arange(1, sessions.max() + 1)).astype(float)
    y = np.where(session == sessions[case], ending[case], 0)
    return case, np.column_stack([X[case], dummies]), y
