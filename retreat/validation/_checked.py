"""One check of the arrays every measure takes; all faults at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from retreat.errors import Fault, TableError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

# probabilities added up in float64 may pass 0 or 1 by rounding alone
_ROUNDING = 1e-9


@dataclass(frozen=True)
class Courses:
    """Checked courses: sessions, ending and weights, each of shape (n,)."""

    sessions: IntArray
    ending: IntArray
    weights: FloatArray
    n_ends: int


def courses(
    sessions: ArrayLike, ending: ArrayLike, weights: ArrayLike | None = None, *, n_ends: int | None = None
) -> Courses:
    """Courses after the check; `n_ends` defaults to the largest ending seen, at least 1."""
    done, kind = _column(sessions, "sessions"), _column(ending, "ending")
    weight = _weights(weights, len(done))
    last = np.inf if n_ends is None else n_ends
    faults = [
        *_lengths(sessions=done, ending=kind, weights=weight),
        *_outside(done, (done < 1) | ~_is_whole(done), "sessions", "whole numbers from 1"),
        *_outside(
            kind,
            (kind < 0) | (kind > last) | ~_is_whole(kind),
            "ending",
            f"0 (still going on) or the number of an end, 1 to {'K' if n_ends is None else n_ends}",
        ),
        *_weight_faults(weight),
    ]
    if n_ends is not None and n_ends < 1:
        faults.append(Fault("n_ends", f"value {n_ends}", "at least 1"))
    _refuse(faults)
    whole = kind.astype(np.int64)
    return Courses(done.astype(np.int64), whole, weight, n_ends or max(1, int(whole.max())))


def binary(
    probabilities: ArrayLike, outcomes: ArrayLike, weights: ArrayLike | None = None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Probabilities, outcomes (0. or 1.) and weights of shape (n,) after the check."""
    p, y = _column(probabilities, "probabilities"), _column(outcomes, "outcomes")
    weight = _weights(weights, len(p))
    _refuse(
        [
            *_lengths(probabilities=p, outcomes=y, weights=weight),
            *_outside(p, _no_probability(p), "probabilities", "0 to 1"),
            *_outside(y, (y != 0) & (y != 1), "outcomes", "0 or 1"),
            *_weight_faults(weight),
        ]
    )
    return np.clip(p, 0.0, 1.0), y, weight


def predictions(values: ArrayLike, name: str, seen: Courses) -> FloatArray:
    """Predicted incidences of one end by one session, shape (n,), of these courses."""
    p = _column(values, name)
    _refuse(
        [*_lengths(**{name: p, "sessions": seen.weights}), *_outside(p, _no_probability(p), name, "0 to 1")]
    )
    return np.clip(p, 0.0, 1.0)


def by_session(values: ArrayLike, name: str, n_cases: int) -> FloatArray:
    """Predictions of shape (n, ends, horizon); an array (n, horizon) stands for one end."""
    array = np.asarray(values, dtype=float)
    if array.ndim == 2:
        array = array[:, None, :]
    faults = []
    if array.ndim != 3 or len(array) != n_cases or array.size == 0:
        faults.append(
            Fault(
                name,
                f"shape {array.shape}",
                f"({n_cases} cases, ends, horizon) or ({n_cases} cases, horizon)",
            )
        )
    else:
        wrong = _no_probability(array) | np.isnan(array)
        worst = array.reshape(n_cases, -1)[np.arange(n_cases), wrong.reshape(n_cases, -1).argmax(axis=1)]
        faults += _outside(worst, wrong.any(axis=(1, 2)), name, "0 to 1 at every end and session")
    _refuse(faults)
    return np.asarray(np.clip(array, 0.0, 1.0))


def chosen(*, end: int, horizon: int) -> None:
    """Refuse an end or a horizon that cannot be."""
    faults = []
    if end < 1:
        faults.append(Fault("end", f"value {end}", "at least 1"))
    if horizon < 1:
        faults.append(Fault("horizon", f"value {horizon}", "at least 1 session"))
    _refuse(faults)


def whole(weights: FloatArray) -> None:
    """Refuse weights that are not counts: leaving one case out needs cases to count."""
    _refuse(
        _outside(weights, ~_is_whole(weights), "weights", "whole numbers, how many cases a row stands for")
    )


def group_numbers(labels: ArrayLike | None, n_cases: int) -> IntArray | None:
    """Numbers 0, 1, ... of the groups of cases, shape (n,); None when there are none."""
    if labels is None:
        return None
    array = np.asarray(labels)
    if array.shape != (n_cases,):
        _refuse([Fault("groups", f"shape {array.shape}", f"({n_cases},), one label a case")])
    return np.unique(array, return_inverse=True)[1].astype(np.int64)


def _no_probability(array: FloatArray) -> BoolArray:
    return np.asarray((array < -_ROUNDING) | (array > 1.0 + _ROUNDING))


def _is_whole(array: FloatArray) -> BoolArray:
    return np.asarray(np.isfinite(array) & (np.floor(array) == array))


def _column(values: ArrayLike, name: str) -> FloatArray:
    try:
        array = np.asarray(values, dtype=float)
    except (TypeError, ValueError):
        raise TableError(Fault(name, "values that are not numbers", "numbers")) from None
    if array.ndim != 1 or array.size == 0:
        raise TableError(Fault(name, f"shape {array.shape}", "(n,) with at least one case"))
    return array


def _weights(weights: ArrayLike | None, n_cases: int) -> FloatArray:
    return np.ones(n_cases) if weights is None else _column(weights, "weights")


def _weight_faults(weights: FloatArray) -> list[Fault]:
    faults = _outside(weights, (weights < 0) | np.isinf(weights), "weights", "finite and not negative")
    if not faults and weights.sum() == 0:
        faults.append(Fault("weights", "all are 0", "at least one above 0"))
    return faults


def _lengths(**arrays: FloatArray) -> list[Fault]:
    lengths = {name: len(array) for name, array in arrays.items()}
    if len(set(lengths.values())) == 1:
        return []
    found = ", ".join(f"{name} {length}" for name, length in lengths.items())
    return [Fault(" and ".join(lengths), f"different lengths: {found}", "one value a case in each")]


def _outside(array: FloatArray, wrong: BoolArray, name: str, allowed: str) -> list[Fault]:
    rows = np.flatnonzero(wrong | np.isnan(array))
    if len(rows) == 0:
        return []
    first = ", ".join(str(row) for row in rows[:3]) + (", ..." if len(rows) > 3 else "")
    found = f"{len(rows)} of {len(array)} values wrong (positions {first}), the first is {array[rows[0]]:g}"
    return [Fault(name, found, allowed, "correct them or leave these cases out")]


def _refuse(faults: list[Fault]) -> None:
    if faults:
        raise TableError(faults)
