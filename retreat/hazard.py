"""Hazards of the ends per session and what follows from them: incidence, share in treatment, and back.

Axis order everywhere: (..., ends, sessions). A hazard is the probability that a case still in treatment
before session k ends at session k in that way; the ends compete, so hazards over ends add to at most 1.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Link = Literal["logit", "cloglog"]
FloatArray = NDArray[np.float64]

# sums of float64 hazards may pass 1 by rounding alone
_ROUNDING = 1e-9


def hazards(eta: ArrayLike, link: Link = "logit") -> FloatArray:
    r"""Hazard of each end at each session from its linear predictor.

    ``logit``: :math:`h_j = e^{\eta_j} / (1 + \sum_l e^{\eta_l})`, the multinomial logit of
    Tutz and Schmid 2016 [1]_. ``cloglog``: :math:`h_j = (1 - e^{-\Lambda}) e^{\eta_j} / \Lambda` with
    :math:`\Lambda = \sum_l e^{\eta_l}`, proportional cause-specific rates grouped into sessions
    (Prentice and Gloeckler 1978 [2]_ for one end).

    Parameters
    ----------
    eta : array_like of float, shape (..., ends, sessions)
        Linear predictors; minus infinity makes the hazard exactly 0.
    link : {"logit", "cloglog"}
        How predictors become hazards.

    Returns
    -------
    ndarray of float, shape (..., ends, sessions)
        Hazards in [0, 1], over ends adding to at most 1.

    References
    ----------
    .. [1] Tutz G, Schmid M. Modeling Discrete Time-to-Event Data. Springer, 2016 (from memory).
    .. [2] Prentice RL, Gloeckler LA. Regression analysis of grouped survival data with application to
       breast cancer data. Biometrics 1978;34:57-67 (from memory).

    Examples
    --------
    >>> hazards([[0.0], [0.0]]).round(4).tolist()
    [[0.3333], [0.3333]]
    >>> hazards([[0.0]], "cloglog").round(4).tolist()
    [[0.6321]]
    """
    predictor = np.asarray(eta, dtype=float)
    largest = np.max(predictor, axis=-2, keepdims=True)
    if link == "logit":
        shift = np.maximum(largest, 0.0)
        odds = np.exp(predictor - shift)
        return np.asarray(odds / (np.exp(-shift) + odds.sum(axis=-2, keepdims=True)))
    if link == "cloglog":
        shift = np.where(np.isfinite(largest), largest, 0.0)
        rates = np.exp(predictor - shift)
        total = rates.sum(axis=-2, keepdims=True)
        with np.errstate(over="ignore"):
            ended = -np.expm1(-total * np.exp(shift))
        return np.asarray(ended * rates / np.where(total > 0, total, 1.0))
    raise ValueError(f"link {link!r} is not one of 'logit', 'cloglog'")


def in_treatment(hazard: ArrayLike) -> FloatArray:
    """Probability of still being in treatment after each session.

    The product over sessions of one minus the summed hazards.

    Parameters
    ----------
    hazard : array_like of float, shape (..., ends, sessions)
        Hazards in [0, 1], over ends adding to at most 1.

    Returns
    -------
    ndarray of float, shape (..., sessions)
        Share in treatment after session 1, 2, ...; never rising.

    Raises
    ------
    ValueError
        If a hazard is outside [0, 1] or the ends add to more than 1 at some session; the message
        names the first such place.

    Examples
    --------
    >>> in_treatment([[0.5, 0.5], [0.1, 0.1]]).round(4).tolist()
    [0.4, 0.16]
    """
    checked = _check(hazard)
    return np.cumprod(np.clip(1.0 - checked.sum(axis=-2), 0.0, 1.0), axis=-1)


def pmf(hazard: ArrayLike) -> FloatArray:
    """Probability that the case ends in each way at exactly each session.

    Parameters
    ----------
    hazard : array_like of float, shape (..., ends, sessions)
        Hazards in [0, 1], over ends adding to at most 1.

    Returns
    -------
    ndarray of float, shape (..., ends, sessions)
        In treatment before the session, times the hazard of the end.

    Raises
    ------
    ValueError
        As for :func:`in_treatment`.

    Examples
    --------
    >>> pmf([[0.5, 0.5], [0.1, 0.1]]).round(4).tolist()
    [[0.5, 0.2], [0.1, 0.04]]
    """
    checked = _check(hazard)
    after = np.cumprod(np.clip(1.0 - checked.sum(axis=-2), 0.0, 1.0), axis=-1)
    before = np.concatenate([np.ones_like(after[..., :1]), after[..., :-1]], axis=-1)
    return before[..., None, :] * checked


def cumulative_incidence(hazard: ArrayLike) -> FloatArray:
    """Probability that the case has ended in each way by each session.

    A case that ends in another way before session k counts as never ending in this one: the
    cumulative incidence function of competing risks (Kalbfleisch and Prentice 2002 [1]_).

    Parameters
    ----------
    hazard : array_like of float, shape (..., ends, sessions)
        Hazards in [0, 1], over ends adding to at most 1.

    Returns
    -------
    ndarray of float, shape (..., ends, sessions)
        Cumulative incidences; with the share in treatment they add to 1 at each session.

    Raises
    ------
    ValueError
        As for :func:`in_treatment`.

    References
    ----------
    .. [1] Kalbfleisch JD, Prentice RL. The Statistical Analysis of Failure Time Data, 2nd ed.
       Wiley, 2002 (from memory).

    Examples
    --------
    >>> cumulative_incidence([[0.5, 0.5], [0.1, 0.1]]).round(4).tolist()
    [[0.5, 0.7], [0.1, 0.14]]
    """
    return np.cumsum(pmf(hazard), axis=-1)


def hazards_of_incidence(incidence: ArrayLike) -> FloatArray:
    """Hazards that give these cumulative incidences: the inverse of :func:`cumulative_incidence`.

    Parameters
    ----------
    incidence : array_like of float, shape (..., ends, sessions)
        Cumulative incidences, not falling over sessions, over ends adding to at most 1.

    Returns
    -------
    ndarray of float, shape (..., ends, sessions)
        Hazards; NaN where nobody is left in treatment before the session.

    Raises
    ------
    ValueError
        If an incidence falls over sessions or the ends add to more than 1.

    Examples
    --------
    >>> hazards_of_incidence([[0.5, 0.7], [0.1, 0.14]]).round(4).tolist()
    [[0.5, 0.5], [0.1, 0.1]]
    """
    cumulative = np.asarray(incidence, dtype=float)
    step = np.diff(cumulative, axis=-1, prepend=0.0)
    if np.any(step < -_ROUNDING):
        raise ValueError("a cumulative incidence falls from one session to the next")
    if np.any(cumulative.sum(axis=-2) > 1.0 + _ROUNDING):
        raise ValueError("cumulative incidences of the ends add to more than 1")
    left = 1.0 - np.concatenate([np.zeros_like(cumulative[..., :1]), cumulative[..., :-1]], axis=-1).sum(
        axis=-2, keepdims=True
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(left > _ROUNDING, np.clip(step, 0.0, None) / left, np.nan)


def _check(hazard: ArrayLike) -> FloatArray:
    array = np.asarray(hazard, dtype=float)
    if array.ndim < 2:
        raise ValueError("hazards need at least the axes (ends, sessions)")
    outside = ~((array >= -_ROUNDING) & (array <= 1.0 + _ROUNDING))
    if np.any(outside):
        where = tuple(int(i) for i in np.argwhere(outside)[0])
        raise ValueError(f"hazard {array[where]:g} at {_place(where)} is outside 0 to 1")
    total = array.sum(axis=-2)
    if np.any(total > 1.0 + _ROUNDING):
        where = tuple(int(i) for i in np.argwhere(total > 1.0 + _ROUNDING)[0])
        case = f"case {where[-2] + 1}, " if len(where) > 1 else ""
        raise ValueError(f"hazards of the ends add to {total[where]:.6g} at {case}session {where[-1] + 1}")
    return array


def _place(where: tuple[int, ...]) -> str:
    case = f"case {where[-3] + 1}, " if len(where) > 2 else ""
    return f"{case}end {where[-2] + 1}, session {where[-1] + 1}"
