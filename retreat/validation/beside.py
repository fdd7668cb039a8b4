"""Scores of a recipe beside those of its challengers on the same folds."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from retreat.validation.comparison import Comparison, case_scores, compare
from retreat.validation.run import Run
from retreat.validation.schemes.folds import held_out
from retreat.validation.schemes.resampling import Refits

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def scores_beside(
    run: Run,
    predicted: FloatArray,
    told: NDArray[np.bool_],
    deal: IntArray,
    others: Mapping[str, Refits | None],
) -> tuple[tuple[Comparison, ...], str]:
    """Scores beside the challengers' on the same folds, and why one that was due is missing.

    Parameters
    ----------
    run : Run
        The cases and how they are looked at.
    predicted : ndarray of float, shape (cases told, ends, sessions)
        Predictions of the recipe for held-out cases.
    told : ndarray of bool, shape (cases,)
        Which cases these are.
    deal : ndarray of int, shape (1, cases)
        Fold of each case.
    others : mapping of str to Refits or None
        Challengers by name; None where one has no place.
    """
    part = run.of(told)
    ours = case_scores(predicted, part.seen, run.ends, run.horizons)
    comparisons: list[Comparison] = []
    missing: list[str] = []
    for name, refits in others.items():
        if refits is None:
            continue
        found = held_out(refits, deal, jobs=run.jobs, cluster=run.cluster, progress=run.progress)
        if found.failures:
            missing.append(f"Not compared with {name}: it could not be fitted in {found.failures[0]}")
            continue
        theirs = case_scores(found.incidence[0][told], part.seen, run.ends, run.horizons)
        comparisons += compare(ours, theirs, part.patient, other=name, level=run.level, seed=run.seed)
    return tuple(comparisons), " ".join(missing)
