"""Multiple imputation by chained equations, redone inside each resample."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.fitting.design import CaseData
from retreat.model.completion import is_missing

FloatArray = NDArray[np.float64]
Features = dict[str, NDArray[Any]]

# sweeps over the features; the chains of so few features settle in a few (van Buuren 2018, from memory: 5 to 10)
_SWEEPS = 5


def imputed(data: CaseData, n_imputations: int, seed: int) -> list[CaseData]:
    """Copies of begun cases with every missing feature of the definition filled by a draw.

    Chained equations (van Buuren 2018 [1]_): each feature in turn is regressed on the others, last session and
    ending in a bootstrap sample of the patients in whom it is known, which stands for a draw of the coefficients, and
    the missing values are drawn from that regression. Whole patients are sampled, since two eyes of one patient say
    less than eyes of two. Numbers: linear on the log scale where they are above 0, with
    the residuals of the sample; a draw is never beyond what was seen. Categories: multinomial logistic with a light
    ridge, a level drawn by its probability.

    Parameters
    ----------
    data : CaseData
        Begun cases; may lack features.
    n_imputations : int, at least 1
        How many copies.
    seed : int
        Seed of the draws.

    Raises
    ------
    FitError
        If a feature is missing in every case.

    References
    ----------
    .. [1] van Buuren S. Flexible Imputation of Missing Data, 2nd ed. CRC, 2018 (from memory).
    """
    gone = {name: is_missing(data.features[name]) for name in data.definition.features}
    for name, where in gone.items():
        if len(where) and where.all():
            raise FitError(
                Fault(name, "missing in every case", "known in some", "use a definition without it")
            )
    # those with fewest gaps first, as they are the best help for the others
    order = sorted((name for name, where in gone.items() if where.any()), key=lambda name: gone[name].sum())
    if not order:
        return [data] * n_imputations
    return [_one(data, gone, order, np.random.default_rng([seed, m])) for m in range(n_imputations)]


def _one(
    data: CaseData, gone: Mapping[str, NDArray[np.bool_]], order: list[str], rng: np.random.Generator
) -> CaseData:
    filled: Features = {name: data.features[name].copy() for name in gone}
    for name in order:  # a first guess: any known value
        known = filled[name][~gone[name]]
        filled[name][gone[name]] = rng.choice(known, size=int(gone[name].sum()))
    ends = [(data.ending == j + 1).astype(float) for j in range(len(data.definition.ends))]
    outcome = np.column_stack([np.log(np.maximum(data.sessions, 1)), *ends])
    for _ in range(_SWEEPS):
        for name in order:
            others = [_coded(values) for other, values in filled.items() if other != name]
            X = _standardised(np.column_stack([*others, outcome]))
            known = ~gone[name]
            rows = np.flatnonzero(known)[sampled(data.patient[known], rng)]
            if filled[name].dtype == object:
                drawn = _draw_level(X[rows], filled[name][rows], X[gone[name]], rng)
            else:
                drawn = _draw_number(X[rows], filled[name][rows], X[gone[name]], rng)
            filled[name][gone[name]] = drawn
    return replace(data, features={**data.features, **filled})


def _coded(values: NDArray[Any]) -> FloatArray:
    """Columns of a feature without gaps: indicators of all levels but the first, or the number itself."""
    if values.dtype != object:
        return values[:, None].astype(float)
    levels = sorted(set(values.tolist()))
    return np.array([[value == level for level in levels[1:]] for value in values], dtype=float).reshape(
        len(values), len(levels) - 1
    )


def _standardised(X: FloatArray) -> FloatArray:
    spread = X.std(axis=0)
    return np.asarray((X - X.mean(axis=0)) / np.where(spread > 0, spread, 1.0))


def sampled(patient: NDArray[Any], rng: np.random.Generator) -> NDArray[np.int64]:
    """Rows of a bootstrap sample of whole patients: as many patients as there are, each with all its rows.

    Parameters
    ----------
    patient : ndarray, shape (rows,)
        Whose row.
    rng : Generator
        Source of the sample.

    Returns
    -------
    ndarray of int
        Positions, a patient's together; as many as the sampled patients have rows.

    Examples
    --------
    >>> import numpy as np
    >>> rows = sampled(np.array(["a", "b", "a"]), np.random.default_rng(3))
    >>> np.isin(0, rows) == np.isin(2, rows)
    np.True_
    """
    number = np.unique(patient, return_inverse=True)[1]
    by_patient = np.argsort(number, kind="stable")
    n_rows = np.bincount(number)
    chosen = rng.integers(0, len(n_rows), len(n_rows))
    first = np.cumsum(n_rows) - n_rows
    # position of each row of the sample within its patient
    within = np.arange(n_rows[chosen].sum()) - np.repeat(
        np.cumsum(n_rows[chosen]) - n_rows[chosen], n_rows[chosen]
    )
    return np.asarray(by_patient[np.repeat(first[chosen], n_rows[chosen]) + within], dtype=np.int64)


def _draw_number(
    X: FloatArray, known: FloatArray, X_gone: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Draws for rows in which a number is missing, from its regression in a bootstrap sample in which it is known."""
    logged = known.min() > 0
    y = np.log(known) if logged else known
    A = np.column_stack([np.ones(len(X)), X])
    # a light ridge keeps a sample with few cases regular
    coefficients = np.linalg.solve(A.T @ A + 1e-3 * np.eye(A.shape[1]), A.T @ y)
    residuals = y - A @ coefficients
    drawn = np.column_stack([np.ones(len(X_gone)), X_gone]) @ coefficients
    drawn += rng.choice(residuals, size=len(drawn))
    drawn = np.clip(drawn, y.min(), y.max())
    return np.asarray(np.exp(drawn) if logged else drawn)


def _draw_level(
    X: FloatArray, known: NDArray[Any], X_gone: FloatArray, rng: np.random.Generator
) -> NDArray[Any]:
    """Draws for rows in which a level is missing, from its regression in a bootstrap sample in which it is known."""
    from sklearn.linear_model import LogisticRegression  # heavy: only a table with gaps pays for it

    levels = sorted(set(known.tolist()))
    if len(levels) == 1:
        return np.repeat(np.array(levels, dtype=object), len(X_gone))
    found = LogisticRegression(C=10.0, max_iter=500).fit(X, known.astype(str))
    chance = np.cumsum(found.predict_proba(X_gone), axis=1)
    chosen = (rng.random((len(X_gone), 1)) > chance).sum(axis=1)
    return np.asarray(found.classes_.astype(object)[np.minimum(chosen, len(found.classes_) - 1)])
