"""Held-out predictions: patients dealt into folds, or clusters left out one by one; the recipe redone each time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.fitting.arguments import is_whole
from retreat.validation.schemes.resampling import Progress, Refits, shared

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class HeldOut:
    """Predictions of cases outside the fit, with what went wrong.

    Parameters
    ----------
    incidence : ndarray of float, shape (repeats, cases, ends, horizon)
        NaN for cases of a fold that could not be fitted.
    failures : tuple of str
        One line a failed fit.
    n_fits : int
        Fits in all.
    """

    incidence: FloatArray
    failures: tuple[str, ...]
    n_fits: int


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
    if not is_whole(folds) or not 2 <= folds <= len(labels):
        fix = "use fewer folds" if is_whole(folds) and folds > 2 else "use more folds"
        raise FitError(
            Fault("folds", f"{folds} folds for {len(labels)} patients", f"2 to {len(labels)}", fix)
        )
    fold = np.random.default_rng(seed).permutation(len(labels)) % folds
    return np.asarray(fold[code], dtype=np.int64)


def held_out(
    refits: Refits,
    folds: IntArray,
    *,
    what: str = "fold",
    patient: IntArray | None = None,
    jobs: int = 1,
    cluster: str = "",
    progress: Progress | None = None,
) -> HeldOut:
    """Predictions of every case by the recipe fitted to the others.

    Parameters
    ----------
    refits : Refits
        The recipe.
    folds : ndarray of int, shape (repeats, cases)
        Fold of each case, numbered from 0, one deal a repeat; cases of fold -1 are in every fit and not predicted.
    what : str
        What a fold is, for the failures.
    patient : ndarray of int, shape (cases,), optional
        Patients; one with a case in the fold has no case in the fit, whatever fold the other eye is in.
    jobs, cluster, progress
        As for :func:`~retreat.validation.schemes.resampling.shared`.
    """
    tasks = [(repeat, fold) for repeat in range(len(folds)) for fold in range(int(folds[repeat].max()) + 1)]
    weights = [_others(folds[repeat] == fold, patient)[None] for repeat, fold in tasks]
    found = shared(refits.predict, weights, jobs=jobs, cluster=cluster, progress=progress)
    shape = found[0][0].shape[1:]
    incidence = np.full((len(folds), *shape), np.nan)
    failures: list[str] = []
    for (repeat, fold), (predicted, failed) in zip(tasks, found, strict=True):
        out = folds[repeat] == fold
        if failed:
            again = f" of deal {repeat + 1}" if len(folds) > 1 else ""
            failures.append(f"{what} {fold + 1} of {int(folds[repeat].max()) + 1}{again}: {failed[0]}")
        else:
            incidence[repeat, out] = predicted[0, out]
    return HeldOut(incidence, tuple(failures), len(tasks))


def _others(out: NDArray[np.bool_], patient: IntArray | None) -> FloatArray:
    """Weight 1 for the cases that the fit may see."""
    if patient is not None:
        out = np.isin(patient, patient[out])
    return (~out).astype(float)
