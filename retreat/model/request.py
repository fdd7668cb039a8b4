"""What is asked of a forecast, checked: horizon, sessions already done, labels, size."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from retreat import features as feature_floor
from retreat.errors import Fault, FitError
from retreat.features import Columns
from retreat.model.kernel import Parameters

FloatArray = NDArray[np.float64]

MAX_HORIZON = 40
# values of a full forecast: 400 million doubles are 3.2 GB
_MAX_VALUES = 400_000_000


def check_horizon(horizon: int) -> None:
    """Refuse a horizon that is not a whole number of sessions in range."""
    whole = isinstance(horizon, int | np.integer) and not isinstance(horizon, bool)
    if not whole or not 1 <= horizon <= MAX_HORIZON:
        raise FitError(
            Fault("horizon", f"{horizon!r}", f"a whole number of sessions from 1 to {MAX_HORIZON}")
        )


def sessions_done(columns: Columns, n: int) -> NDArray[np.int64]:
    """Sessions each case has had, 0 where the table does not say."""
    if "sessions" not in columns:
        return np.zeros(n, dtype=np.int64)
    done = feature_floor.number(columns, "sessions")
    bad = np.flatnonzero(~(np.isnan(done) | ((done >= 0) & (done == np.rint(done)))))
    if bad.size:
        raise FitError(
            [Fault("sessions", f"case {i + 1}: {done[i]:g}", "a whole number from 0") for i in bad]
        )
    return np.nan_to_num(done).astype(np.int64)


def labels(columns: Columns, n: int) -> tuple[str, ...]:
    """Labels of the cases: the column case, else their numbers from 1."""
    if "case" in columns:
        return tuple(str(label) for label in np.asarray(columns["case"], dtype=object))
    return tuple(str(i + 1) for i in range(n))


def check_size(parameters: Parameters, n: int, horizon: int) -> None:
    """Refuse a forecast whose draws would not fit in memory."""
    if n * parameters.n_draws * parameters.n_ends * horizon > _MAX_VALUES:
        raise FitError(
            Fault(
                "new_cases",
                f"{n} cases x {parameters.n_draws} draws x {horizon} sessions do not fit in memory",
                fix="pass fewer cases at a time, draws=400, or use model.expected(...)",
            )
        )


def check_possible(probabilities: FloatArray, done: NDArray[np.int64]) -> None:
    """Refuse cases that have had more sessions than the model gives any chance of."""
    lost = np.flatnonzero(np.isnan(probabilities).any(axis=(0, 2, 3)))
    if lost.size:
        raise FitError(
            [
                Fault(
                    "sessions",
                    f"case {i + 1}: the model gives no chance of still being in treatment after {done[i]}",
                )
                for i in lost
            ]
        )
