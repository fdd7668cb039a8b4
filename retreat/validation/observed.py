"""What was observed: the Aalen-Johansen estimate of the incidence of each end, exact for whole sessions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from retreat.validation._checked import Courses, FloatArray, chosen, courses

# sums of weights may miss a whole number by rounding alone
_ROUNDING = 1e-9


@dataclass(frozen=True)
class ObservedIncidence:
    """Incidence of each end after each session, as observed.

    Parameters
    ----------
    incidence : ndarray of float, shape (ends, horizon)
        Cumulative incidence in [0, 1]; entry k-1 is after session k. With `in_treatment` it adds to 1.
    in_treatment : ndarray of float, shape (horizon,)
        Share still in treatment after each session, in [0, 1].
    at_risk : ndarray of float, shape (horizon,)
        Cases that had the session (sum of weights).
    events : ndarray of float, shape (ends, horizon)
        Cases that ended at the session, by end (sum of weights).
    standard_error : ndarray of float, shape (ends, horizon)
        Of the incidence, by the delta method (see :func:`aalen_johansen`).
    in_treatment_standard_error : ndarray of float, shape (horizon,)
        Of the share in treatment, Greenwood's formula.
    reason : str
        Why estimates are NaN; empty when none is.
    """

    incidence: FloatArray
    in_treatment: FloatArray
    at_risk: FloatArray
    events: FloatArray
    standard_error: FloatArray
    in_treatment_standard_error: FloatArray
    reason: str = ""


def aalen_johansen(
    sessions: ArrayLike,
    ending: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    n_ends: int | None = None,
    horizon: int | None = None,
) -> ObservedIncidence:
    r"""Share of cases that ended in each way by each session, cases lost on the way allowed for.

    With :math:`n_k` cases that had session k and :math:`d_{jk}` of them ended in way j at it,
    :math:`S(k) = \prod_{s \le k} (1 - d_s / n_s)` and
    :math:`F_j(k) = \sum_{s \le k} S(s-1)\, d_{js} / n_s` (Aalen and Johansen 1978 [1]_). A case still going
    on after its last session counts as at risk at that session. The variance is the delta method on
    multinomial hazards, equation 6 of Dinse and Larson 1986 [2]_:

    .. math:: \sum_{s \le k} [F_j(k) - F_j(s)]^2 \frac{d_s}{n_s (n_s - d_s)}
              + S(s-1)^2 \frac{d_{js} (n_s - d_{js})}{n_s^3}
              - 2 [F_j(k) - F_j(s)] S(s-1) \frac{d_{js}}{n_s^2}

    which for one end is Greenwood's formula.

    Parameters
    ----------
    sessions : array_like of int, shape (n,)
        Sessions of each case, the last one included, from 1.
    ending : array_like of int, shape (n,)
        0 still going on when last seen, 1..K the end.
    weights : array_like of float, shape (n,), optional
        How many cases a row stands for; standard errors too take a row of weight 2 for two cases.
    n_ends : int, optional
        K; the largest ending seen when not given.
    horizon : int, optional
        Last session of the result; the largest of `sessions` when not given.

    Returns
    -------
    ObservedIncidence
        NaN, with the reason, at sessions nobody reached although some cases were lost before.

    Raises
    ------
    TableError
        If the arrays differ in length, a session is below 1 or an ending not one of 0..K.

    Notes
    -----
    Cases must be lost for reasons that say nothing of how they would have ended. Cases are taken as
    independent: with two eyes of a patient the standard errors are too small.

    References
    ----------
    .. [1] Aalen OO, Johansen S. An empirical transition matrix for non-homogeneous Markov chains based on
       censored observations. Scand J Stat 1978;5:141-150 (from memory).
    .. [2] Dinse GE, Larson MG. A note on semi-Markov models for partially censored data. Biometrika
       1986;73:379-386 (from memory).

    Examples
    --------
    >>> seen = aalen_johansen([1, 1, 2, 2, 3], [1, 0, 2, 1, 0])
    >>> seen.incidence.round(4).tolist()
    [[0.2, 0.4667, 0.4667], [0.0, 0.2667, 0.2667]]
    >>> seen.in_treatment.round(4).tolist()
    [0.8, 0.2667, 0.2667]
    """
    seen = courses(sessions, ending, weights, n_ends=n_ends)
    last = int(seen.sessions.max()) if horizon is None else horizon
    chosen(end=1, horizon=last)
    at_risk, events = risk_sets(seen, last)
    incidence, staying = product_limit(events, at_risk)
    lost_from = _nobody_left(events, at_risk)
    error = np.sqrt(_delta_variance(incidence, staying, events, at_risk))
    staying_error = _greenwood(staying, events, at_risk)
    for array in (incidence, staying, error, staying_error):
        array[..., lost_from:] = np.nan
    return ObservedIncidence(
        incidence,
        staying,
        at_risk,
        events,
        error,
        staying_error,
        f"no case was followed to session {lost_from + 1}" if lost_from < last else "",
    )


def risk_sets(seen: Courses, horizon: int) -> tuple[FloatArray, FloatArray]:
    """Cases at risk, shape (horizon,), and ended, shape (ends, horizon), at each session."""
    by_session = np.bincount(seen.sessions, seen.weights, minlength=horizon + 1)[1:]
    at_risk = np.cumsum(by_session[::-1])[::-1][:horizon]
    events = np.zeros((seen.n_ends, horizon))
    ended = (seen.ending > 0) & (seen.sessions <= horizon)
    np.add.at(events, (seen.ending[ended] - 1, seen.sessions[ended] - 1), seen.weights[ended])
    return at_risk, events


def product_limit(events: FloatArray, at_risk: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Incidences (..., ends, horizon) and shares in treatment (..., horizon) of these counts.

    Where nobody is at risk the estimate is carried on.
    """
    some = np.where(at_risk > 0, at_risk, 1.0)
    # (n - d) / n and not 1 - d / n: exactly 0 when all end
    left = np.clip(np.where(at_risk > 0, at_risk - events.sum(axis=-2), 1.0), 0.0, None)
    after = np.cumprod(left / some, axis=-1)
    before = np.concatenate([np.ones_like(after[..., :1]), after[..., :-1]], axis=-1)
    return np.cumsum((before / some)[..., None, :] * events, axis=-1), after


def _nobody_left(events: FloatArray, at_risk: FloatArray) -> int:
    """Index of the first session of which nothing is known; the horizon when there is none."""
    reached = int(np.count_nonzero(at_risk > 0))
    if reached == 0:
        return 0
    left = at_risk[reached - 1] - events[:, reached - 1].sum()
    all_ended = left <= _ROUNDING * at_risk[reached - 1]
    return len(at_risk) if all_ended else reached


def _delta_variance(
    incidence: FloatArray, staying: FloatArray, events: FloatArray, at_risk: FloatArray
) -> FloatArray:
    """Variance of the incidence of each end after each session, shape (ends, horizon)."""
    one_case = _inverse(at_risk)
    hazard = events * one_case
    before = np.concatenate([[1.0], staying[:-1]])
    of_staying = _of_staying(events, at_risk)
    to_come = incidence[:, :, None] - incidence[:, None, :]  # (ends, after session k, at session s)
    each = (
        to_come**2 * of_staying
        + (before**2 * hazard * (1.0 - hazard) * one_case)[:, None, :]
        - 2.0 * to_come * (before * hazard * one_case)[:, None, :]
    )
    return np.clip((np.tril(np.ones((len(at_risk),) * 2)) * each).sum(axis=-1), 0.0, None)


def _greenwood(staying: FloatArray, events: FloatArray, at_risk: FloatArray) -> FloatArray:
    """Standard error of the share in treatment; exactly 0 once all have ended."""
    return np.asarray(staying * np.sqrt(np.cumsum(_of_staying(events, at_risk))))


def _of_staying(events: FloatArray, at_risk: FloatArray) -> FloatArray:
    """Ended / (at risk x left) at each session; 0 where all end, as nothing is to come for it to multiply."""
    ended = events.sum(axis=0)
    left = at_risk - ended
    return np.asarray(ended * _inverse(at_risk) * _inverse(np.where(left > _ROUNDING * at_risk, left, 0.0)))


def _inverse(counts: FloatArray) -> FloatArray:
    return np.divide(1.0, counts, out=np.zeros_like(counts), where=counts > 0)
