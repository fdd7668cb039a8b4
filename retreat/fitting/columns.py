"""Columns of a design: read, standardised for Newton, and refused when constant or collinear."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from retreat.errors import Fault, FitError

FloatArray = NDArray[np.float64]

# an eigenvalue of the correlation matrix under this means exact collinearity up to rounding
_COLLINEAR = 1e-10


@dataclass(frozen=True)
class Columns:
    """A design; centre, scale and the standardised columns are worked out when a fit asks for them.

    Parameters
    ----------
    X : ndarray of float, shape (cases, columns)
        Columns as given.
    names : tuple of str
        Their names.
    labelled : bool
        Whether the names are the owner's, not ours.
    weights : ndarray of float, shape (cases,), or None
        Weights above 0 for centre and scale.
    """

    X: FloatArray
    names: tuple[str, ...]
    labelled: bool
    weights: FloatArray | None = None

    @property
    def centre(self) -> FloatArray:
        """Means, shape (columns,)."""
        return self._moments.centre

    @property
    def scale(self) -> FloatArray:
        """Standard deviations, shape (columns,); 1 for a constant column."""
        return self._moments.scale

    @property
    def constant(self) -> NDArray[np.bool_]:
        """Which columns hold one value, shape (columns,)."""
        return self._moments.constant

    @property
    def standardised(self) -> FloatArray:
        """Columns with mean 0 and standard deviation 1, shape (cases, columns)."""
        return self._moments.standardised

    def weighted(self, weights: FloatArray) -> Columns:
        """The same columns of the cases of weight above 0, with weighted centre and scale."""
        chosen = weights > 0
        return replace(self, X=self.X[chosen], weights=weights[chosen])

    @cached_property
    def _moments(self) -> _Moments:
        return _moments(self.X, self.names, self.weights)


class _Moments(NamedTuple):
    centre: FloatArray
    scale: FloatArray
    constant: NDArray[np.bool_]
    standardised: FloatArray


def read_columns(X: ArrayLike | Any) -> Columns:
    """Columns of a matrix or DataFrame.

    Raises
    ------
    FitError
        If X is not a matrix of finite numbers; names the first faulty cells.
    """
    matrix = _numbers(X)
    if matrix.ndim != 2:
        raise FitError(Fault("X", f"{matrix.ndim} dimensions", "2: cases by columns", "reshape it"))
    owners = getattr(X, "columns", None)
    names = tuple(str(name) for name in (_own_names(matrix.shape[1]) if owners is None else owners))
    bad = np.argwhere(~np.isfinite(matrix))
    if bad.size:
        shown = ", ".join(f"row {i} of {names[j]}" for i, j in bad[:3])
        raise FitError(
            Fault(
                "X",
                f"{len(bad)} values are missing or infinite ({shown})",
                "finite numbers",
                "drop or impute them",
            )
        )
    return Columns(matrix, names, owners is not None)


def read_fitted_columns(X: ArrayLike | Any, fitted: tuple[str, ...], *, labelled: bool) -> Columns:
    """Columns of a matrix or DataFrame for a prediction, as many and in the order of the fit.

    Parameters
    ----------
    X : array_like or DataFrame, shape (cases, columns)
        Columns.
    fitted : tuple of str
        Names of the columns of the fit.
    labelled : bool
        Whether these are the owner's, not ours.

    Raises
    ------
    FitError
        If X is not a matrix of finite numbers, or its columns are not those of the fit.
    """
    columns = read_columns(X)
    if len(columns.names) != len(fitted):
        raise FitError(Fault("X", f"{len(columns.names)} columns", f"{len(fitted)} as fitted"))
    # columns in another order would give wrong numbers without a word
    if columns.labelled and labelled and columns.names != fitted:
        raise FitError(
            Fault("X", f"columns {', '.join(columns.names)}", ", ".join(fitted) + ", in this order")
        )
    return columns


def _moments(matrix: FloatArray, names: tuple[str, ...], weights: FloatArray | None) -> _Moments:
    if not matrix.size:
        n = matrix.shape[1]
        return _Moments(np.zeros(n), np.ones(n), np.zeros(n, dtype=bool), matrix)
    w = np.ones(len(matrix)) if weights is None else weights
    with np.errstate(over="ignore", invalid="ignore"):
        centre = w @ matrix / w.sum()
        centred = matrix - centre
        scale = np.sqrt(np.einsum("i,ij,ij->j", w, centred, centred) / w.sum())
    # by range where in doubt: the mean of a million equal values is off by rounding
    constant = ~(scale > 1e-6 * np.abs(centre))
    constant[constant] = np.ptp(matrix[:, constant], axis=0) <= 1e-12 * np.abs(centre[constant])
    extreme = ~constant & ~(np.isfinite(scale) & (scale > 0))
    if extreme.any():
        raise FitError(
            Fault(
                _listed(names, extreme), "values too large or too small to be squared", fix="change its unit"
            )
        )
    scale = np.where(constant, 1.0, scale)
    centred /= scale
    return _Moments(centre, scale, constant, centred)


def check_collinear(columns: Columns) -> None:
    """Refuse columns that are constant or sums of others.

    Raises
    ------
    FitError
        Naming the columns.
    """
    Z = columns.standardised
    if not Z.shape[1]:
        return
    if columns.constant.any():
        raise FitError(
            Fault(
                _listed(columns.names, columns.constant),
                "constant: nothing can be learned of it, the session effects already hold the level",
                fix="drop it or add a ridge penalty",
            )
        )
    values, vectors = np.linalg.eigh(Z.T @ Z / len(Z))
    if values[0] < _COLLINEAR * values[-1]:
        raise FitError(
            Fault(
                _listed(columns.names, np.abs(vectors[:, 0]) > 1e-3),
                "collinear: one is a sum of the others",
                fix="drop one or add a ridge penalty",
            )
        )


def check_going_on(sessions: NDArray[np.int64], ending: NDArray[np.int64], names: tuple[str, ...]) -> None:
    """Refuse columns when no case ever went on from a session: there is nothing to compare an end with.

    Raises
    ------
    FitError
        If every case ended at session 1 and there are columns.
    """
    if names and sessions.max() == 1 and (ending > 0).all():
        raise FitError(
            Fault(
                "ending",
                "every case ended at session 1",
                "some cases that went on",
                "fit without columns, or use penalty='firth' or a ridge penalty",
            )
        )


def _numbers(X: ArrayLike | Any) -> FloatArray:
    fault = Fault("X", "holds values that are not numbers", "a matrix of numbers")
    try:
        array = np.asarray(X)
        if array.dtype.kind not in "biufO":
            raise FitError(fault)
        return array.astype(
            float, order="C", copy=False
        )  # one layout, so that the same numbers give the same bytes
    except (TypeError, ValueError) as error:
        raise error if isinstance(error, FitError) else FitError(fault) from None


def _own_names(n: int) -> list[str]:
    return [f"x{i}" for i in range(n)]


def _listed(names: tuple[str, ...], chosen: NDArray[np.bool_]) -> str:
    found = [name for name, here in zip(names, chosen, strict=True) if here]
    rest = f" and {len(found) - 8} more" if len(found) > 8 else ""
    return ", ".join(found[:8]) + rest
