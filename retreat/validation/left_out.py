"""Internal-external validation of a recipe: each operator, site or period predicted by a model of the others."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from retreat.validation.clusters import ClusterSpread, cluster_spread
from retreat.validation.run import Run
from retreat.validation.schemes.folds import HeldOut, held_out
from retreat.validation.schemes.resampling import Refits

if TYPE_CHECKING:
    import pandas as pd

CLUSTERS = ("operator", "site", "period")


def left_out(
    run: Run, refits: Refits, table: pd.DataFrame, by: str
) -> tuple[tuple[ClusterSpread, ...], HeldOut | None]:
    """How much calibration differs between clusters, and the predictions it was found from.

    Parameters
    ----------
    run : Run
        The cases.
    refits : Refits
        The recipe.
    table : DataFrame
        The same cases.
    by : str
        One of :data:`CLUSTERS`; a period is the year of the first session.
    """
    column = table["started"].astype(str).str[:4] if by == "period" else table[by].astype(str)
    labels = column.to_numpy(dtype=str)
    known = ~np.isin(labels, ("", "nan", "<NA>", "None"))
    fold = np.full(len(labels), -1, dtype=np.int64)
    fold[known] = np.unique(labels[known], return_inverse=True)[1]
    if known.sum() == 0 or fold.max() < 1:
        why = "fewer than two of them" if known.any() else "not recorded"
        spreads = tuple(ClusterSpread(by, end, k, 0, 0, reason=why) for end in run.ends for k in run.horizons)
        return spreads, None
    found = held_out(
        refits,
        fold[None],
        what=by,
        patient=run.patient,  # the other eye of a patient may be in another period
        jobs=run.jobs,
        cluster=run.cluster,
        progress=run.progress,
    )
    told = np.isfinite(found.incidence[0]).all(axis=(1, 2))
    if not told.any():
        why = found.failures[0]
        spreads = tuple(ClusterSpread(by, end, k, 0, 0, reason=why) for end in run.ends for k in run.horizons)
        return spreads, found
    part = run.of(told)
    number = np.unique(fold[told], return_inverse=True)[1].astype(np.int64)
    spreads = cluster_spread(
        found.incidence[0][told],
        part.seen,
        number,
        part.patient,
        by=by,
        ends=run.ends,
        horizons=run.horizons,
        level=run.level,
    )
    return spreads, found
