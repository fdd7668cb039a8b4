"""Calibration of the incidence of an end by a session, with other ends and cases lost on the way."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from retreat.validation._checked import (
    BoolArray,
    Courses,
    FloatArray,
    IntArray,
    chosen,
    courses,
    group_numbers,
    predictions,
    whole,
)
from retreat.validation._logistic import sum_of_squares
from retreat.validation._spread import Interval, normal_quantile, wilson
from retreat.validation.agreement_record import Calibration
from retreat.validation.assessment import assess
from retreat.validation.observed import product_limit, risk_sets
from retreat.validation.pseudo import values_of
from retreat.validation.recalibration import Sample


def calibration_at(
    incidence: ArrayLike,
    sessions: ArrayLike,
    ending: ArrayLike,
    *,
    end: int,
    horizon: int,
    groups: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    level: float = 0.95,
) -> Calibration:
    r"""How the predicted incidence of an end by a session agrees with what was observed.

    `observed` is the Aalen-Johansen incidence and `observed_expected` its ratio to the mean prediction. For
    the rest each case's outcome is its jackknife pseudo-value :math:`\theta_i`
    (:func:`~retreat.validation.pseudo_values`), so that cases lost on the way count for as much as they were
    followed (Andersen and Perme 2010 [1]_; Royston 2014 [2]_). The regression
    :math:`\operatorname{logit} E(\theta_i) = a + b \operatorname{logit} F_i` solves
    :math:`\sum_i x_i (\theta_i - \mu_i) = 0`: generalised estimating equations with logit link, binomial
    variance and independence. Measures are those of :func:`~retreat.validation.calibration`, which this
    equals when nobody is lost, but standard errors come from the sandwich, with scores summed by group, and
    `unreliability` is the Wald statistic. Intervals of observed shares are Wilson's at the number of
    independent cases that would give the share its jackknife standard error (Korn and Graubard 1998 [3]_).

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
    groups : array_like, shape (n,), optional
        Label of the group each case belongs to, such as the patient of an eye; groups are taken as
        independent, cases of one group not.
    weights : array_like of int, shape (n,), optional
        How many cases a row stands for, whole numbers.
    level : float in (0, 1)
        Of the intervals.

    Returns
    -------
    Calibration
        NaN with a `reason` where a value cannot be estimated; all observed values are, if nobody was followed
        to the horizon although some were lost before.

    Raises
    ------
    TableError
        If the arrays, the end or the horizon are not of that form.
    ValueError
        If the level is not between 0 and 1.

    Notes
    -----
    Cases must be lost for reasons that have nothing to do with how they would have ended or with their
    features.

    References
    ----------
    .. [1] Andersen PK, Perme MP. Pseudo-observations in survival analysis. Stat Methods Med Res
       2010;19:71-99 (from memory).
    .. [2] Royston P. Tools for checking calibration of a Cox model in external validation: approach based on
       individual event probabilities. Stata J 2014;14:738-755 (from memory).
    .. [3] Korn EL, Graubard BI. Confidence intervals for proportions with small expected number of positive
       counts estimated from survey data. Surv Methodol 1998;24:193-201 (from memory).

    Examples
    --------
    >>> sessions, ending = [1, 1, 2, 2, 2, 3, 3, 4], [1, 0, 1, 2, 0, 1, 0, 1]
    >>> found = calibration_at([0.5] * 8, sessions, ending, end=1, horizon=2)
    >>> round(found.observed, 4), round(found.observed_expected, 4), found.reason
    (0.2708, 0.5417, 'all predictions are equal, so there is no slope')
    """
    normal_quantile(level)
    chosen(end=end, horizon=horizon)
    seen = courses(sessions, ending, weights)
    whole(seen.weights)
    p = predictions(incidence, "incidence", seen)
    group = group_numbers(groups, len(p))

    def share(marked: BoolArray) -> tuple[float, Interval]:
        return _share(_part(seen, marked), end, horizon, None if group is None else group[marked], level)

    values = values_of(seen, end, horizon)
    return assess(Sample(p, values, seen.weights, "sandwich", group), share, level)


def _part(seen: Courses, marked: BoolArray) -> Courses:
    return Courses(seen.sessions[marked], seen.ending[marked], seen.weights[marked], seen.n_ends)


def _share(
    seen: Courses, end: int, horizon: int, group: IntArray | None, level: float
) -> tuple[float, Interval]:
    """Aalen-Johansen incidence of these cases and its interval."""
    values = values_of(seen, end, horizon)
    if not np.all(np.isfinite(values)):
        return np.nan, (np.nan, np.nan)
    if end > seen.n_ends:
        observed = 0.0
    else:
        at_risk, events = risk_sets(seen, horizon)
        observed = float(product_limit(events, at_risk)[0][end - 1, -1])
    return observed, wilson(observed, _independent_cases(observed, values, seen, horizon, group), level)


def _independent_cases(
    observed: float, values: FloatArray, seen: Courses, horizon: int, group: IntArray | None
) -> float:
    """How many independent cases, none lost, would give the share its standard error.

    A share of 0 or 1 shows no spread; then the cases followed to their end or the horizon count.
    """
    if not 0.0 < observed < 1.0:
        return float(seen.weights[(seen.ending > 0) | (seen.sessions >= horizon)].sum())
    squares = sum_of_squares((values - observed)[:, None], seen.weights, group)[0, 0]
    return float(observed * (1.0 - observed) * seen.weights.sum() ** 2 / squares) if squares > 0 else np.nan
