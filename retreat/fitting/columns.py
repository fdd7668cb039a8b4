"""Columns of a design: read, standardised for Newton, and refused when constant, collinear or separating."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from retreat.errors import Fault, FitError
from retreat.fitting.hazardfit import HazardFit

FloatArray = NDArray[np.float64]

# an eigenvalue of the correlation matrix under this means exact collinearity up to rounding
_COLLINEAR = 1e-10
# Standard error, on the scale of a column's standard deviation, from which a coefficient is running away: an
# odds ratio of e^100 a standard deviation cannot be told from infinity
_RUNAWAY_ERROR = 50.0


@dataclass(frozen=True)
class Columns:
    """A design with the centre and scale of its columns, all (columns,)."""

    X: FloatArray  # (cases, columns)
    names: tuple[str, ...]
    centre: FloatArray
    scale: FloatArray

    def standardised(self) -> FloatArray:
        """Columns with mean 0 and standard deviation 1, shape (cases, columns)."""
        return (self.X - self.centre) / self.scale


def read_columns(X: ArrayLike | Any) -> Columns:
    """Columns of a matrix or DataFrame.

    Raises
    ------
    FitError
        If X is not a matrix of finite numbers; names the first faulty cells.
    """
    names = tuple(str(name) for name in X.columns) if hasattr(X, "columns") else ()
    try:
        matrix = np.asarray(X, dtype=float)
    except (TypeError, ValueError):
        raise FitError(Fault("X", "holds values that are not numbers", "a matrix of numbers")) from None
    if matrix.ndim != 2:
        raise FitError(Fault("X", f"{matrix.ndim} dimensions", "2: cases by columns", "reshape it"))
    names = names or tuple(f"x{i}" for i in range(matrix.shape[1]))
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
    centre = matrix.mean(axis=0) if matrix.size else np.zeros(matrix.shape[1])
    scale = matrix.std(axis=0) if matrix.size else np.ones(matrix.shape[1])
    constant = scale <= 1e-12 * (1.0 + np.abs(centre))
    return Columns(matrix, names, centre, np.where(constant, 1.0, scale))


def check_collinear(columns: Columns) -> None:
    """Refuse columns that are constant or sums of others.

    Raises
    ------
    FitError
        Naming the columns.
    """
    Z = columns.standardised()
    if not Z.shape[1]:
        return
    constant = [
        name for name, spread in zip(columns.names, np.ptp(Z, axis=0), strict=True) if spread <= 1e-12
    ]
    if constant:
        raise FitError(
            Fault(
                ", ".join(constant),
                "constant: nothing can be learned of it, the session effects already hold the level",
                fix="drop it or add a ridge penalty",
            )
        )
    values, vectors = np.linalg.eigh(Z.T @ Z / len(Z))
    if values[0] < _COLLINEAR * values[-1]:
        involved = [n for n, v in zip(columns.names, vectors[:, 0], strict=True) if abs(v) > 1e-3]
        raise FitError(
            Fault(
                ", ".join(involved),
                "collinear: one is a sum of the others",
                fix="drop one or add a ridge penalty",
            )
        )


def check_separation(fit: HazardFit, names: tuple[str, ...]) -> None:
    """Refuse a maximum likelihood fit whose coefficients run off to infinity.

    Raises
    ------
    FitError
        Naming the columns that tell an end from the rest without error.
    """
    layout = fit.layout
    error = np.sqrt(np.diag(fit.covariance())[: layout.n_coefficients]).reshape(
        layout.n_ends, layout.n_columns
    )
    runaway = [name for j, name in enumerate(names) if (error[:, j] > _RUNAWAY_ERROR).any()]
    if runaway:
        raise FitError(
            Fault(
                ", ".join(runaway),
                "separation: some end happens only, or never, at certain values, so no finite estimate exists",
                fix="use penalty='firth' or a ridge penalty, merge levels, or drop the column",
            )
        )
