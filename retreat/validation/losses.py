"""What if those lost on the way were not like the others? Observed incidence under stated assumptions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from retreat.validation._checked import Courses, FloatArray
from retreat.validation.observed import aalen_johansen

# odds of the end among those lost, against those who stayed equally long [our judgement: half to twice]
SHIFTS = (0.5, 1.0, 2.0)


@dataclass(frozen=True)
class LossRow:
    """Observed over expected under one assumption.

    Parameters
    ----------
    assumption : str
        ``"none"`` (no case lost ended so), ``"odds x 0.5"`` and so on, ``"all"`` (every case lost ended so).
    n_lost : int
        Cases last seen in treatment before the horizon.
    observed, observed_expected : float
        Incidence, and its ratio to the mean prediction.
    """

    assumption: str
    n_lost: int
    observed: float
    observed_expected: float


def loss_sensitivity(
    incidence: FloatArray, seen: Courses, *, end: int, horizon: int, shifts: tuple[float, ...] = SHIFTS
) -> tuple[LossRow, ...]:
    r"""Incidence were those lost more or less likely to have ended so than those who stayed.

    A case last seen in treatment after session s is given the chance :math:`q_s = [F(h) - F(s)] / S(s)` of those
    who stayed, its odds multiplied by a shift (a pattern-mixture delta adjustment; Carpenter and Kenward 2013 [1]_);
    0 and 1 are the worst and the best case. With shift 1 the incidence is Aalen and Johansen's exactly.

    Parameters
    ----------
    incidence : ndarray of float, shape (cases,)
        Predicted by the horizon.
    seen : Courses
        What happened.
    end : int
        Which end, 1..K.
    horizon : int
        By which session.
    shifts : tuple of float
        Multipliers of the odds.

    References
    ----------
    .. [1] Carpenter JR, Kenward MG. Multiple Imputation and its Application. Wiley, 2013 (from memory).

    Examples
    --------
    >>> from retreat.validation._checked import courses
    >>> rows = loss_sensitivity(np.full(4, 0.5), courses([1, 1, 2, 2], [1, 0, 1, 0]), end=1, horizon=2)
    >>> [(row.assumption, round(row.observed, 3)) for row in rows]
    [('none', 0.5), ('odds x 0.5', 0.583), ('odds x 1', 0.625), ('odds x 2', 0.667), ('all', 0.75)]
    """
    found = aalen_johansen(
        seen.sessions, seen.ending, weights=seen.weights, n_ends=seen.n_ends, horizon=horizon
    )
    by_session, staying = found.incidence[end - 1], found.in_treatment
    lost = (seen.ending == 0) & (seen.sessions < horizon)
    happened = (seen.ending == end) & (seen.sessions <= horizon)
    expected = float(np.average(incidence, weights=seen.weights))
    last = seen.sessions[lost] - 1
    with np.errstate(divide="ignore", invalid="ignore"):
        chance = np.nan_to_num(np.clip((by_session[-1] - by_session[last]) / staying[last], 0.0, 1.0))
    rows = []
    for name, multiplier in (
        ("none", 0.0),
        *((f"odds x {shift:g}", shift) for shift in shifts),
        ("all", np.inf),
    ):
        if np.isinf(multiplier):
            given = np.ones(len(chance))
        else:
            odds = multiplier * chance
            going = 1.0 - chance
            given = np.divide(odds, going + odds, out=np.zeros_like(odds), where=going + odds > 0)
        ended = happened.astype(float)
        ended[lost] = given
        observed = float(np.average(ended, weights=seen.weights))
        rows.append(
            LossRow(
                name, int(seen.weights[lost].sum()), observed, observed / expected if expected > 0 else np.nan
            )
        )
    return tuple(rows)
