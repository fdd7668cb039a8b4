"""Bother of an eye rated once more without a session, so that what a session does is not taken for what passes.

A rating carries a deviation that is gone at the next one. Held against the rating last noted, a session would be
credited with the return from a bad day. Here the course is run on by a session that changes nothing: the material
stays, the fragments stay, the course is no session older, and only the passing deviation is drawn anew. What comes
with time is in both, so that it does not count as what a session does: pieces thrown by the sessions had drift back,
and what an eye feels drifts.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from retreat.model.history import particles
from retreat.model.history.progress import Progress, pack
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
    noise = part.noise_apart(horizon)
    luck, pieces = noise.luck.copy(), noise.pieces.copy()
    luck[:, :, done] = _NO_LUCK
    pieces[:, :, done] = _staying(part.parameters["fragments"], int(records.fragments[0, done - 1]))[:, None]
    noise = replace(noise, luck=luck, pieces=pieces)
    found = particles.Bother.blank(len(X), done + 1, noise)
    _no_older(part, done).run(X, records, done + 1, noise, found)
    return found.following


def _no_older(part: Progress, done: int) -> Progress:
    """The part with the bother of the next session at the level of the last; sessions had are left as they are."""
    if done > STEPS:  # later sessions share a level already
        return part
    steps = part.parameters["bother_session"].copy()
    steps[:, done - 1] = 0.0
    return replace(part, values=pack({**part.parameters, "bother_session": steps}))


def _staying(moves: FloatArray, count: int) -> FloatArray:
    """Uniform number of each draw that leads from a count of fragments to the same."""
    none, few = moves[:, 1 + count, 0], moves[:, 1 + count, 1]
    return (np.full(len(moves), _BELOW), none + few / 2.0, np.full(len(moves), _ABOVE))[count]
