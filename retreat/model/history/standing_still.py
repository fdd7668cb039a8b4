"""Bother of an eye rated once more without a session, so that what a session does is not taken for what passes.

A rating carries a deviation that is gone at the next one. Held against the rating last noted, a session would be
credited with the return from a bad day. Here the course is run on by a session that changes nothing: the material
stays, the fragments stay, the course is no session older, and only the passing deviation is drawn anew.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from retreat.model.history import particles
from retreat.model.history.noise import noise_of
from retreat.model.history.progress import Progress
from retreat.model.history.records import Records
from retreat.model.history.state import STEPS

FloatArray = NDArray[np.float64]

# luck with which a session removes nothing, whatever its spread: far below the least that can be told from 0
_NO_LUCK = -1e9
# bounds of a uniform number that no chance reaches
_BELOW, _ABOVE = -1.0, 2.0


def rated_again(part: Progress, X: FloatArray, records: Records, *, horizon: int) -> FloatArray:
    """Bother of one eye, 0 to 10, rated anew without a session.

    Parameters
    ----------
    part : Progress
        The state model.
    X : ndarray of float, shape (rows, columns)
        Coded completions of the eye.
    records : Records
        What was noted of it, once for each row: at least one session, with its fragments at the last.
    horizon : int
        As for :meth:`Progress.bother`.

    Returns
    -------
    ndarray of float, shape (draws, rows, paths)
        One value a simulated course: the courses behind :attr:`Bother.following`, with the same passing deviation.
    """
    done = int(records.done[0])
    noise = noise_of(part.n_draws, particles.PATHS, max(horizon, 1), part.seed)
    luck, pieces = noise.luck.copy(), noise.pieces.copy()
    luck[:, :, done] = _NO_LUCK
    pieces[:, :, done] = _staying(part.parameters["fragments"], int(records.fragments[0, done - 1]))[:, None]
    same_age = part.parameters["bother_session"].copy()
    if done <= STEPS:  # later sessions share their effect already
        same_age[:, done - 1] = 0.0
    noise = replace(noise, luck=luck, pieces=pieces)
    found = particles.Bother.blank(len(X), done + 1, noise)
    particles.courses(
        {**part.parameters, "bother_session": same_age},
        X - np.asarray(part.centre),
        records,
        energy=_about(records.energy_mj, part.energy_centre),
        pulses=_about(records.pulses, part.pulses_centre),
        horizon=done + 1,
        noise=noise,
        bother=found,
    )
    return found.following


def _staying(moves: FloatArray, count: int) -> FloatArray:
    """Uniform number of each draw that leads from a count of fragments to the same."""
    if count == 1:
        return np.asarray(moves[:, 1 + count, :2].sum(axis=-1))
    return np.full(len(moves), _ABOVE if count else _BELOW)


def _about(values: FloatArray, centre: float) -> FloatArray:
    return np.log(np.where(values > 0.0, values, np.nan)) - centre
