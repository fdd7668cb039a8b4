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
    ending in a bootstrap sample of the cases in which it is known, which stands for a draw of the coefficients, and
    the missing values are drawn from that regression. Numbers: linear on the log scale where they are above 0, with
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
            draw = _draw_level if filled[name].dtype == object else _draw_number
            filled[name][gone[name]] = draw(X[known], filled[name][known], X[gone[name]], rng)
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


def _draw_number(
    X: FloatArray, known: FloatArray, X_gone: FloatArray, rng: np.random.Generator
) -> FloatArray:
    logged = known.min() > 0
    y = np.log(known) if logged else known
    rows = rng.integers(0, len(y), len(y))
    A, b = np.column_stack([np.ones(len(rows)), X[rows]]), y[rows]
    # a light ridge keeps a sample with few cases regular
    coefficients = np.linalg.solve(A.T @ A + 1e-3 * np.eye(A.shape[1]), A.T @ b)
    residuals = b - A @ coefficients
    drawn = np.column_stack([np.ones(len(X_gone)), X_gone]) @ coefficients
    drawn += rng.choice(residuals, size=len(drawn))
    drawn = np.clip(drawn, y.min(), y.max())
    return np.asarray(np.exp(drawn) if logged else drawn)


def _draw_level(
    X: FloatArray, known: NDArray[Any], X_gone: FloatArray, rng: np.random.Generator
) -> NDArray[Any]:
    from sklearn.linear_model import LogisticRegression  # heavy: only a table with gaps pays for it

    rows = rng.integers(0, len(known), len(known))
    levels = sorted(set(known[rows].tolist()))
    if len(levels) == 1:
        return np.repeat(np.array(levels, dtype=object), len(X_gone))
    found = LogisticRegression(C=10.0, max_iter=500).fit(X[rows], known[rows].astype(str))
    chance = np.cumsum(found.predict_proba(X_gone), axis=1)
    chosen = (rng.random((len(X_gone), 1)) > chance).sum(axis=1)
    return np.asarray(found.classes_.astype(object)[np.minimum(chosen, len(found.classes_) - 1)])
