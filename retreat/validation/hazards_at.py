"""Calibration of the hazards: ends expected and seen among those that had each session."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from retreat.errors import Fault, TableError
from retreat.validation._checked import by_session, courses
from retreat.validation._spread import normal_quantile, wilson
from retreat.validation.observed import risk_sets

# sums of float64 probabilities may pass 1 by rounding alone
_ROUNDING = 1e-9


@dataclass(frozen=True)
class HazardCalibration:
    """Ends expected and seen at one session.

    Parameters
    ----------
    end : int
        Which end, 1..K.
    session : int
        Which session, from 1.
    at_risk : float
        Cases that had the session (sum of weights).
    events, expected : float
        Cases that ended in that way at it, seen and foreseen (sum of hazards).
    observed_expected : float
        Their ratio; 1 is ideal, above 1 the hazards are too low.
    low, high : float
        Interval of the ratio.
    reason : str
        Why values are NaN; empty when none is.
    """

    end: int
    session: int
    at_risk: float
    events: float
    expected: float
    observed_expected: float
    low: float
    high: float
    reason: str = ""


def hazard_calibration(
    hazards: ArrayLike,
    sessions: ArrayLike,
    ending: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    level: float = 0.95,
) -> tuple[HazardCalibration, ...]:
    r"""How many ended in each way at each session, and how many the hazards foresaw.

    Of the :math:`n_k` cases that had session k, :math:`d_{jk}` ended in way j at it and
    :math:`e_{jk} = \sum_i h_{ijk}`, summed over the same cases, were expected to; the ratio is
    :math:`d_{jk} / e_{jk}`. Unlike an incidence it blames the session that is to blame. The interval is
    Wilson's of the share :math:`d_{jk} / n_k` (Wilson 1927 [1]_), divided by the mean hazard
    :math:`e_{jk} / n_k`, which is taken as fixed.

    Parameters
    ----------
    hazards : array_like of float, shape (n, ends, horizon) or (n, horizon)
        Predicted probability of ending in each way at a session, for a case that has it, in [0, 1], over ends
        adding to at most 1; without the axis of ends there is one end. Those of sessions a case did not have
        are not used.
    sessions : array_like of int, shape (n,)
        Sessions of each case, from 1; those after the horizon are not looked at.
    ending : array_like of int, shape (n,)
        0 still going on when last seen, 1..K the end, K being the number of ends of `hazards`.
    weights : array_like of float, shape (n,), optional
        How many cases a row stands for.
    level : float in (0, 1)
        Of the intervals.

    Returns
    -------
    tuple of HazardCalibration
        One for every end and session, end by end; a ratio is NaN with a `reason` where nobody had the session
        or none was expected to end so.

    Raises
    ------
    TableError
        If the arrays are not of that form or the hazards of a case at a session add to more than 1.
    ValueError
        If the level is not between 0 and 1.

    Notes
    -----
    Cases are taken as independent: with two eyes of a patient the intervals are too narrow. Where hazards
    differ between cases the number of ends varies less than a binomial with their mean, and the intervals are
    a little too wide. A case lost after a session counts at it, so what is needed is that losses say nothing
    of the sessions to come.

    References
    ----------
    .. [1] Wilson EB. Probable inference, the law of succession, and statistical inference. JASA
       1927;22:209-212 (from memory).

    Examples
    --------
    >>> first, second = hazard_calibration([[0.25, 0.5]] * 4, [1, 1, 2, 2], [1, 1, 1, 0])
    >>> first.at_risk, first.events, first.expected, first.observed_expected
    (4.0, 2.0, 1.0, 2.0)
    >>> second.at_risk, second.observed_expected, round(second.low, 4), round(second.high, 4)
    (2.0, 1.0, 0.1891, 1.8109)
    """
    normal_quantile(level)
    array = np.asarray(hazards, dtype=float)
    seen = courses(sessions, ending, weights, n_ends=array.shape[1] if array.ndim == 3 else 1)
    predicted = by_session(array, "hazards", len(seen.sessions))  # (n, ends, horizon)
    _refuse_over_1(predicted.sum(axis=1))
    had = np.arange(1, predicted.shape[2] + 1) <= seen.sessions[:, None]  # (n, horizon)
    expected = np.einsum("i,ik,ijk->jk", seen.weights, had, predicted)
    at_risk, events = risk_sets(seen, predicted.shape[2])
    return tuple(
        _record(end + 1, k + 1, float(at_risk[k]), float(events[end, k]), float(expected[end, k]), level)
        for end, k in np.ndindex(expected.shape)
    )


def _record(
    end: int, session: int, at_risk: float, events: float, expected: float, level: float
) -> HazardCalibration:
    if not (at_risk > 0 and expected > 0):
        nan = float("nan")
        reason = "none was expected to end so" if at_risk > 0 else "no case had this session"
        return HazardCalibration(end, session, at_risk, events, expected, nan, nan, nan, reason)
    share, mean = events / at_risk, expected / at_risk
    low, high = wilson(share, at_risk, level)
    low, high = min(low, share), max(high, share)  # rounding may part an end at 0 or 1 from the share
    return HazardCalibration(
        end, session, at_risk, events, expected, events / expected, low / mean, high / mean
    )


def _refuse_over_1(of_all_ends: np.ndarray) -> None:
    """Refuse hazards that add to more than 1 over the ends, shape (n, horizon)."""
    wrong = of_all_ends > 1.0 + _ROUNDING
    if wrong.any():
        case, session = np.argwhere(wrong)[0]
        found = f"case at position {case} adds to {of_all_ends[case, session]:.6g} at session {session + 1}"
        raise TableError(Fault("hazards", found, "at most 1 over the ends at every session"))
