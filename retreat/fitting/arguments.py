"""Arguments of the fitting methods: read, and refused with the place and the way out."""

from __future__ import annotations

from collections.abc import Iterable
from numbers import Integral, Real
from typing import Any, TypeGuard

import numpy as np
from numpy.typing import ArrayLike, NDArray

from retreat.errors import Fault, FitError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

LEAST_DRAWS, MOST_DRAWS = 100, 20_000


def is_number(value: object) -> TypeGuard[float]:
    """Whether a value is a finite number from 0; a truth value is not.

    Examples
    --------
    >>> is_number(0.5), is_number(True), is_number("0.5"), is_number(-1)
    (True, False, False, False)
    """
    return isinstance(value, Real) and not isinstance(value, bool) and 0 <= float(value) < np.inf


def is_whole(value: object) -> TypeGuard[int]:
    """Whether a value is a whole number, of Python or numpy; a truth value is not.

    Examples
    --------
    >>> is_whole(3), is_whole(np.int64(3)), is_whole(3.0), is_whole(True)
    (True, True, False, False)
    """
    return isinstance(value, Integral) and not isinstance(value, bool)


def choice_fault(name: str, value: object, allowed: Iterable[str]) -> Fault | None:
    """Fault of a word that is not one of those allowed; None when it is."""
    words = tuple(allowed)
    if isinstance(value, str) and value in words:
        return None
    return Fault(name, f"{value!r}", ", ".join(repr(word) for word in words))


def check_draws(draws: object) -> None:
    """Refuse a number of draws outside 100 to 20000.

    Raises
    ------
    FitError
        If it is not a whole number in that range.
    """
    if not is_whole(draws) or not LEAST_DRAWS <= draws <= MOST_DRAWS:
        raise FitError(Fault("draws", f"{draws!r}", f"a whole number from {LEAST_DRAWS} to {MOST_DRAWS}"))


def read_horizon(horizon: Any, last: int) -> int:
    """Largest session asked for; `last` when none was given.

    Raises
    ------
    FitError
        If it is not a whole number from 1.
    """
    if horizon is None:
        return last
    if not is_whole(horizon) or horizon < 1:
        raise FitError(Fault("horizon", f"{horizon!r}", "a whole number of sessions from 1"))
    return int(horizon)


def read_weights(weights: ArrayLike | None, n: int) -> FloatArray | None:
    """Frequency weights, one a case; None when none were given.

    Raises
    ------
    FitError
        If they are not `n` finite numbers from 0, some above 0.
    """
    if weights is None:
        return None
    allowed = f"{n} finite numbers from 0, not all 0"
    try:
        w = np.asarray(weights, dtype=float)
    except (TypeError, ValueError):
        raise FitError(Fault("weights", "holds values that are not numbers", allowed)) from None
    if w.shape != (n,):
        raise FitError(Fault("weights", f"shape {w.shape}", allowed))
    bad = np.flatnonzero(~(np.isfinite(w) & (w >= 0)))
    if bad.size:
        shown = ", ".join(f"{i}: {w[i]:g}" for i in bad[:3])
        raise FitError(Fault("weights", f"{bad.size} of {n} values are not allowed (row {shown})", allowed))
    if not w.any():
        raise FitError(Fault("weights", "all are 0", allowed))
    return w


def read_groups(groups: ArrayLike | None, n: int) -> IntArray | None:
    """Groups numbered from 0 without holes, one a case; None when none were given.

    Raises
    ------
    FitError
        If they are not `n` labels of one kind, none missing, of at least two groups.
    """
    if groups is None:
        return None
    labels = np.asarray(groups)
    if labels.shape != (n,):
        raise FitError(Fault("groups", f"shape {labels.shape}", f"{n} labels, one a case"))
    # a missing number is unlike itself
    missing = np.array([label is None or label != label for label in labels])
    if missing.any():
        shown = ", ".join(str(i) for i in np.flatnonzero(missing)[:3])
        raise FitError(
            Fault(
                "groups", f"{missing.sum()} labels are missing (row {shown})", fix="give each its own label"
            )
        )
    codes = np.unique(labels.astype(str) if labels.dtype == object else labels, return_inverse=True)[1]
    if codes.max() == 0:
        raise FitError(
            Fault(
                "groups",
                "one group",
                "at least 2",
                "leave groups out: one group has no spread between groups",
            )
        )
    return codes.astype(np.int64)
