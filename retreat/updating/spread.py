"""How a model's draws lie about their mean: the uncertainty that an update must carry on."""

from __future__ import annotations

import numpy as np

from retreat.model.kernel import Parameters
from retreat.updating.likelihood import FloatArray, Point

# directions in which the draws hardly differ carry nothing
_NEGLIGIBLE = 1e-8


def point_of(parameters: Parameters) -> Point:
    """Mean over draws; a session effect of minus infinity in any draw stays so."""
    effects = parameters.session_effects[:, 0]
    with np.errstate(invalid="ignore"):
        mean = effects.mean(axis=0)
    return Point(parameters.coefficients.mean(axis=0), np.where(np.isnan(mean), -np.inf, mean))


def deviations(parameters: Parameters) -> FloatArray:
    """Draws minus their mean, shape (draws, ends, columns + sessions); 0 where an effect is minus infinity."""
    both = np.concatenate([parameters.coefficients, parameters.session_effects[:, 0]], axis=2)
    with np.errstate(invalid="ignore"):
        away = both - both.mean(axis=0)
    return np.where(np.isfinite(away), away, 0.0)


def root(away: FloatArray) -> FloatArray:
    """Directions of unit standard deviation of the draws, shape (ends, columns + sessions, directions)."""
    if len(away) < 2:  # one draw has no spread
        return np.zeros((*away.shape[1:], 0))
    flat = away.reshape(len(away), -1)
    _, size, vectors = np.linalg.svd(flat / np.sqrt(len(flat) - 1.0), full_matrices=False)
    kept = size > _NEGLIGIBLE * max(float(size.max(initial=0.0)), 1e-300)
    return np.asarray((vectors[kept] * size[kept, None]).T.reshape(*away.shape[1:], int(kept.sum())))
