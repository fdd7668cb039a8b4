"""From standardised columns, on which Newton's method runs, back to the owner's scale."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.columns import Columns
from retreat.fitting.layout import Layout, SessionEffect, no_penalty, step_precision
from retreat.fitting.newton import Penalty

FloatArray = NDArray[np.float64]

# Step of smooth session effects on the link scale when no definition gives one (our judgement, as in models/*.toml)
STEP_SD = 0.5


def raw_ridge(strength: float, effect: SessionEffect, scale: FloatArray) -> Callable[[Layout], Penalty]:
    """Penalty of a fit on standardised columns that is a ridge on the raw scale.

    Parameters
    ----------
    strength : float
        Weight of half the sum of squared raw coefficients.
    effect : {"free", "smooth", "linear"}
        Smooth session effects are held together by steps of 0.5.
    scale : ndarray of float, shape (columns,)
        Standard deviation of each raw column.
    """

    def build(layout: Layout) -> Penalty:
        penalty = no_penalty(layout)
        precision = penalty.precision.copy()
        own = np.arange(layout.n_coefficients)
        precision[own, own] += strength / np.tile(scale, layout.n_ends) ** 2
        if effect == "smooth":
            precision += step_precision(layout, STEP_SD)
        return Penalty(penalty.mean, precision)

    return build


def raw_covariance(layout: Layout, covariance: FloatArray, columns: Columns) -> FloatArray:
    """Covariance of raw coefficients and session effects from that of the standardised free parameters."""
    K, p, S = layout.n_ends, layout.n_columns, layout.n_sessions
    to_raw = np.eye(K * (p + S))
    for end in range(K):
        own = slice(end * p, (end + 1) * p)
        to_raw[own, own] = np.diag(1.0 / columns.scale)
        to_raw[K * p + end * S : K * p + (end + 1) * S, own] = -(columns.centre / columns.scale)
    path = to_raw @ layout.matrix
    full = path @ covariance @ path.T
    unknown = np.zeros(K * (p + S), dtype=bool)
    unknown[: K * p] = layout.unlearned[: K * p]
    unknown[K * p :] = ~layout.matrix[K * p :].any(axis=1)
    full[unknown] = np.nan
    full[:, unknown] = np.nan
    return np.asarray(full)
