"""Net benefit of offering treatment to those with a high enough probability."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from retreat.errors import Fault, TableError
from retreat.validation._checked import (
    BoolArray,
    Courses,
    FloatArray,
    IntArray,
    binary,
    chosen,
    courses,
    group_numbers,
    predictions,
)
from retreat.validation._logistic import sum_of_squares
from retreat.validation.observed import product_limit, risk_sets

# a share below this is 0 but for rounding
_ROUNDING = 1e-9


@dataclass(frozen=True)
class NetBenefit:
    """Net benefit of three ways to decide, by threshold; higher is better, in events per case.

    Parameters
    ----------
    thresholds : ndarray of float, shape (thresholds,)
        Probability from which on it is offered.
    model : ndarray of float, shape (thresholds,)
        Offered to cases whose prediction is at least the threshold.
    offer_all, offer_none : ndarray of float, shape (thresholds,)
        Offered to everybody; to nobody, which is 0.
    standard_error : ndarray of float, shape (thresholds,)
        Of `model`.
    """

    thresholds: FloatArray
    model: FloatArray
    offer_all: FloatArray
    offer_none: FloatArray
    standard_error: FloatArray


def net_benefit(
    probabilities: ArrayLike,
    outcomes: ArrayLike,
    *,
    thresholds: ArrayLike,
    weights: ArrayLike | None = None,
) -> NetBenefit:
    r"""Net benefit of offering to all whose probability is at least a threshold.

    :math:`\frac{TP}{n} - \frac{FP}{n} \frac{t}{1 - t}`: of n cases TP have :math:`p_i \ge t` and the outcome,
    FP have :math:`p_i \ge t` and not the outcome; the threshold t says how many needless offers one needed is
    worth (Vickers and Elkin 2006 [1]_). A model helps at a threshold where it passes both offering to all and
    offering to none.

    Parameters
    ----------
    probabilities : array_like of float, shape (n,)
        Predicted probabilities in [0, 1].
    outcomes : array_like of int or bool, shape (n,)
        1 where it happened, 0 where not.
    thresholds : array_like of float, shape (thresholds,)
        In [0, 1); a prediction equal to the threshold is offered.
    weights : array_like of float, shape (n,), optional
        How many cases a row stands for.

    Returns
    -------
    NetBenefit
        At most the share of outcomes, without bound below.

    Raises
    ------
    TableError
        If a probability is outside [0, 1], an outcome neither 0 nor 1, a threshold outside [0, 1) or lengths
        differ.

    References
    ----------
    .. [1] Vickers AJ, Elkin EB. Decision curve analysis: a novel method for evaluating prediction models. Med
       Decis Making 2006;26:565-574 (from memory).

    Examples
    --------
    >>> found = net_benefit([0.9, 0.4, 0.3, 0.1], [1, 0, 1, 0], thresholds=[0.2, 0.5])
    >>> found.model.round(4).tolist(), found.offer_all.round(4).tolist()
    ([0.4375, 0.25], [0.375, 0.0])
    """
    p, y, weight = binary(probabilities, outcomes, weights)
    # a yes-or-no outcome is a course of which all is known after one session
    seen = Courses(np.ones(len(p), np.int64), y.astype(np.int64), weight, 1)
    return _by_threshold(p, seen, 1, 1, _thresholds(thresholds), None)


def net_benefit_at(
    incidence: ArrayLike,
    sessions: ArrayLike,
    ending: ArrayLike,
    *,
    end: int,
    horizon: int,
    thresholds: ArrayLike,
    groups: ArrayLike | None = None,
    weights: ArrayLike | None = None,
) -> NetBenefit:
    r"""Net benefit of offering to all whose incidence of an end by a session is at least a threshold.

    With :math:`\pi` the share of cases whose prediction is at least t and :math:`F` the Aalen-Johansen
    incidence among them, :math:`\pi F - \pi (1 - F) \frac{t}{1 - t}` (Vickers and Elkin 2006 [1]_; with cases
    lost and competing ends Vickers and others 2008 [2]_). A case that ended otherwise by the horizon counts
    as not having ended in that way.

    Parameters
    ----------
    incidence : array_like of float, shape (n,)
        Predicted cumulative incidence of `end` by `horizon`, in [0, 1], from before the first session.
    sessions : array_like of int, shape (n,)
        Sessions of each case, from 1.
    ending : array_like of int, shape (n,)
        0 still going on when last seen, 1..K the end.
    end : int
        Which end, 1..K.
    horizon : int
        By which session.
    thresholds : array_like of float, shape (thresholds,)
        In [0, 1); a prediction equal to the threshold is offered.
    groups : array_like, shape (n,), optional
        Label of the group each case belongs to, such as the patient of an eye; groups are taken as
        independent, cases of one group not. They bear on the standard error alone.
    weights : array_like of float, shape (n,), optional
        How many cases a row stands for.

    Returns
    -------
    NetBenefit
        At most the observed incidence, without bound below; NaN where some of those offered were lost and
        none was followed to the horizon. Where nobody is offered it is 0.

    Raises
    ------
    TableError
        If the arrays, the end, the horizon or a threshold are not of that form.

    Notes
    -----
    Cases must be lost for reasons that say nothing of how they would have ended, among those offered too.
    The standard error sums over groups the squares of the first-order effect of each case on the share
    offered and on every hazard among them, times groups / (groups - 1); thresholds are taken as fixed.

    References
    ----------
    .. [1] Vickers AJ, Elkin EB. Decision curve analysis: a novel method for evaluating prediction models. Med
       Decis Making 2006;26:565-574 (from memory).
    .. [2] Vickers AJ, Cronin AM, Elkin EB, Gonen M. Extensions to decision curve analysis, a novel method for
       evaluating diagnostic tests, prediction models and molecular markers. BMC Med Inform Decis Mak
       2008;8:53 (from memory).

    Examples
    --------
    >>> sessions, ending = [1, 1, 2, 2, 3], [1, 0, 2, 1, 0]
    >>> p = [0.8, 0.5, 0.3, 0.6, 0.1]
    >>> found = net_benefit_at(p, sessions, ending, end=1, horizon=2, thresholds=[0.5])
    >>> found.model.round(4).tolist(), found.offer_all.round(4).tolist()
    ([0.6], [-0.0667])
    """
    chosen(end=end, horizon=horizon)
    seen = courses(sessions, ending, weights)
    p = predictions(incidence, "incidence", seen)
    group = group_numbers(groups, len(p))
    return _by_threshold(p, seen, end, horizon, _thresholds(thresholds), group)


def _thresholds(values: ArrayLike) -> FloatArray:
    array = np.asarray(values, dtype=float)
    if array.ndim != 1 or array.size == 0:
        raise TableError(Fault("thresholds", f"shape {array.shape}", "(m,) with at least one threshold"))
    wrong = ~((array >= 0.0) & (array < 1.0))
    if wrong.any():
        raise TableError(
            Fault(
                "thresholds",
                f"{wrong.sum()} of {len(array)} values wrong, the first is {array[wrong][0]:g}",
                "from 0 to below 1",
            )
        )
    return array


def _by_threshold(
    p: FloatArray, seen: Courses, end: int, horizon: int, thresholds: FloatArray, group: IntArray | None
) -> NetBenefit:
    offered = p >= thresholds[:, None]  # (thresholds, n)
    values = [_value(mark, seen, end, horizon, t, group) for mark, t in zip(offered, thresholds, strict=True)]
    model, error = np.array(values).T
    everybody = _incidence(seen, end, horizon)[0]
    odds = thresholds / (1.0 - thresholds)
    return NetBenefit(
        thresholds, model, everybody - (1.0 - everybody) * odds, np.zeros(len(thresholds)), error
    )


def _value(
    offered: BoolArray, seen: Courses, end: int, horizon: int, threshold: float, group: IntArray | None
) -> tuple[float, float]:
    """Net benefit and its standard error at one threshold."""
    n = seen.weights.sum()
    share = seen.weights[offered].sum() / n
    if share == 0.0:
        return 0.0, 0.0
    part = Courses(seen.sessions[offered], seen.ending[offered], seen.weights[offered], seen.n_ends)
    incidence, effect = _incidence(part, end, horizon)
    odds = threshold / (1.0 - threshold)
    value = share * (incidence - (1.0 - incidence) * odds)
    # first-order effect of a case: on the share offered, and on the incidence among them
    effects = (offered * (incidence - (1.0 - incidence) * odds) - value) / n
    effects[offered] += share * (1.0 + odds) * effect
    square = sum_of_squares(effects[:, None], seen.weights, group)[0, 0]
    return float(value), float(np.sqrt(square))


def _incidence(seen: Courses, end: int, horizon: int) -> tuple[float, FloatArray]:
    """Aalen-Johansen incidence and each case's first-order effect on it, shape (n,); NaN beyond follow-up.

    Squares of the effects, summed, are the variance of Dinse and Larson 1986 (from memory).
    """
    at_risk, events = risk_sets(seen, horizon)
    incidences, staying = product_limit(events, at_risk)
    if at_risk[-1] == 0.0 and staying[-1] > _ROUNDING:
        return float("nan"), np.full(len(seen.sessions), np.nan)
    of_end = incidences[end - 1] if end <= seen.n_ends else np.zeros(horizon)
    ended_so = events[end - 1] if end <= seen.n_ends else np.zeros(horizon)
    one_case = np.divide(1.0, at_risk, out=np.zeros(horizon), where=at_risk > 0)
    going_on = 1.0 - events.sum(axis=0) * one_case
    left = np.divide(1.0, going_on, out=np.zeros(horizon), where=going_on > _ROUNDING)
    before = np.concatenate([[1.0], staying[:-1]])
    to_come = (of_end[-1] - of_end) * left  # lost to this end by ending at the session
    for_being_there = np.cumsum((before * ended_so - to_come * events.sum(axis=0)) * one_case**2)
    last = np.minimum(seen.sessions, horizon) - 1
    effect = -for_being_there[last]
    ended = (seen.ending > 0) & (seen.sessions <= horizon)
    at = last[ended]
    effect[ended] += one_case[at] * (before[at] * (seen.ending[ended] == end) - to_come[at])
    return float(of_end[-1]), np.asarray(effect)
