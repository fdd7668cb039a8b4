"""Multiple imputation by chained equations, redone inside each resample, and Rubin's rules."""

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

# sweeps over the features; the chains of so few features settle in a few (van Buuren 2018, from memory: 5 to 10)
_SWEEPS = 5


def imputed(data: CaseData, n_imputations: int, seed: int) -> list[CaseData]:
    """Copies of begun cases with every missing feature of the definition filled by a draw.

    Chained equations with posterior draws of Bayesian linear regressions (scikit-learn's ``IterativeImputer`` with
    ``sample_posterior``; van Buuren 2018 [1]_). Levels of a category stand as indicators and a draw takes the level
    of the largest; last session and ending stand among the predictors, so that the imputed agree with the outcome.

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
    names = data.definition.features
    gone = {name: is_missing(data.features[name]) for name in names}
    for name, where in gone.items():
        if len(where) and where.all():
            raise FitError(
                Fault(name, "missing in every case", "known in some", "use a definition without it")
            )
    if not any(where.any() for where in gone.values()):
        return [data] * n_imputations
    from sklearn.experimental import enable_iterative_imputer  # noqa: F401  # makes the next import possible
    from sklearn.impute import IterativeImputer
    from sklearn.linear_model import BayesianRidge

    blocks, levels = _columns(data.features, names)
    outcome = np.column_stack(
        [np.log(data.sessions), *[data.ending == j + 1 for j in range(len(data.definition.ends))]]
    )
    matrix = np.column_stack([*blocks.values(), outcome])
    filled = []
    for m in range(n_imputations):
        imputer = IterativeImputer(
            BayesianRidge(),
            sample_posterior=True,
            max_iter=_SWEEPS,
            tol=0.0,
            random_state=(seed * 1009 + m) % 2**32,
            min_value=matrix_limits(matrix)[0],
            max_value=matrix_limits(matrix)[1],
        )
        filled.append(_back(data, _quietly(imputer, matrix), blocks, levels, gone))
    return filled


def matrix_limits(matrix: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Smallest and largest known value of each column: a draw is never beyond what was seen."""
    return np.nanmin(matrix, axis=0), np.nanmax(matrix, axis=0)


def _quietly(imputer: Any, matrix: FloatArray) -> FloatArray:
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # draws never meet a tolerance
        return np.asarray(imputer.fit_transform(matrix))


def _columns(
    features: Mapping[str, NDArray[Any]], names: tuple[str, ...]
) -> tuple[dict[str, FloatArray], dict[str, tuple[str, ...]]]:
    """Columns of each feature, NaN where missing, and the levels behind indicators."""
    blocks: dict[str, FloatArray] = {}
    levels: dict[str, tuple[str, ...]] = {}
    for name in names:
        values = features[name]
        if values.dtype == object:
            levels[name] = tuple(sorted({v for v in values if v is not None}))
            block = np.array([[v == level for level in levels[name]] for v in values], dtype=float)
            block[is_missing(values)] = np.nan
            blocks[name] = block
        else:
            # sizes grow by ratio: their log is nearer to normal
            blocks[name] = (np.log(values) if np.nanmin(values) > 0 else values)[:, None]
    return blocks, levels


def _back(
    data: CaseData,
    matrix: FloatArray,
    blocks: Mapping[str, FloatArray],
    levels: Mapping[str, tuple[str, ...]],
    gone: Mapping[str, NDArray[np.bool_]],
) -> CaseData:
    features = dict(data.features)
    start = 0
    for name, block in blocks.items():
        columns = matrix[:, start : start + block.shape[1]]
        start += block.shape[1]
        if not gone[name].any():
            continue
        values = features[name].copy()
        if name in levels:
            values[gone[name]] = np.array(levels[name], dtype=object)[columns[gone[name]].argmax(axis=1)]
        else:
            drawn = columns[gone[name], 0]
            values[gone[name]] = np.exp(drawn) if np.nanmin(features[name]) > 0 else drawn
        features[name] = values
    return replace(data, features=features)


def pooled(estimates: FloatArray, variances: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Estimates and variances over imputations by Rubin's rules (Rubin 1987, from memory).

    Parameters
    ----------
    estimates, variances : ndarray of float, shape (imputations, ...)
        Of each imputed copy.

    Returns
    -------
    tuple of two ndarray of float
        Mean estimate, and within plus (1 + 1/m) between variance.

    Examples
    --------
    >>> [float(v) for v in pooled(np.array([1.0, 3.0]), np.array([1.0, 1.0]))]
    [2.0, 4.0]
    """
    m = len(estimates)
    between = estimates.var(axis=0, ddof=1) if m > 1 else np.zeros_like(estimates[0])
    return estimates.mean(axis=0), variances.mean(axis=0) + (1.0 + 1.0 / m) * between
