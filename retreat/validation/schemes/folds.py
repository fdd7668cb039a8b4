"""Predictions for cases a model has not seen: patients dealt into folds, the whole recipe redone in each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.recipe import fit

if TYPE_CHECKING:
    import pandas as pd

    from retreat.definitions import Definition

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# told after each fold: folds done, folds in all
Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Recipe:
    """What is redone in each fold: definition, method and settings, never a fitted model."""

    definition: Definition
    method: str | None
    seed: int
    settings: dict[str, Any]

    def predictions(self, train: pd.DataFrame, test: pd.DataFrame, horizon: int) -> FloatArray:
        """Cumulative incidences of the test cases by a model of the others, shape (cases, ends, horizon)."""
        model = fit(train, self.definition, method=self.method, seed=self.seed, **self.settings)  # type: ignore[arg-type]  # checked inside
        if model.card.failures:
            raise FitError(
                [Fault("fit", failure, fix="fit with a longer run") for failure in model.card.failures]
            )
        return model.expected(test, horizon=horizon)


@dataclass(frozen=True)
class FoldPredictions:
    """Predictions of cases outside the fit, with what went wrong.

    Parameters
    ----------
    incidence : ndarray of float, shape (cases, ends, horizon)
        NaN for cases of a fold that could not be fitted.
    failures : tuple of str
        One line a failed fold.
    """

    incidence: FloatArray
    failures: tuple[str, ...]


def deal_patients(patients: NDArray[Any], folds: int, seed: int) -> IntArray:
    """Fold of each case, all of a patient's cases in one fold, folds of nearly equal numbers of patients.

    Parameters
    ----------
    patients : ndarray, shape (cases,)
        Labels.
    folds : int, at least 2
        How many.
    seed : int
        Seed of the deal.

    Raises
    ------
    FitError
        If there are fewer patients than folds.

    Examples
    --------
    >>> fold = deal_patients(np.array(["a", "b", "a", "c"]), 3, 1)
    >>> bool(fold[0] == fold[2]), sorted(set(fold.tolist()))
    (True, [0, 1, 2])
    """
    labels, code = np.unique(np.asarray(patients, dtype=str), return_inverse=True)
    if not 2 <= folds <= len(labels):
        raise FitError(
            Fault(
                "folds", f"{folds} folds for {len(labels)} patients", f"2 to {len(labels)}", "use fewer folds"
            )
        )
    fold = np.random.default_rng(seed).permutation(len(labels)) % folds
    return np.asarray(fold[code], dtype=np.int64)


def out_of_fold(
    cases: pd.DataFrame, recipe: Recipe, fold: IntArray, *, horizon: int, progress: Progress | None = None
) -> FoldPredictions:
    """Predictions of every case by the recipe fitted to the other folds.

    Parameters
    ----------
    cases : DataFrame
        Checked cases.
    recipe : Recipe
        What is fitted.
    fold : ndarray of int, shape (cases,)
        From :func:`deal_patients`.
    horizon : int
        Largest session.
    progress : callable, optional
        Told after each fold.
    """
    n_folds = int(fold.max()) + 1
    incidence = np.full((len(cases), len(recipe.definition.ends), horizon), np.nan)
    failures: list[str] = []
    for held in range(n_folds):
        out = fold == held
        try:
            incidence[out] = recipe.predictions(cases[~out], cases[out], horizon)
        except FitError as error:
            failures.append(f"fold {held + 1} of {n_folds}: {error.faults[0]}")
        if progress is not None:
            progress(held + 1, n_folds)
    return FoldPredictions(incidence, tuple(failures))
