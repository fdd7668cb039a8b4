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

    Raises
    ------
    ValueError
        If a predictor is NaN or plus infinity (the message names the first such place), the axes are too
        few, or the link is unknown.

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
    predictor = _at_least_two_axes(eta)
    wrong = np.isnan(predictor) | (predictor == np.inf)
    if np.any(wrong):
        where = _first(wrong)
        raise ValueError(f"linear predictor {predictor[where]:g} at {_place(where)} gives no hazard")
    return hazards_and_going_on(predictor, link)[0]


def hazards_and_going_on(eta: FloatArray, link: Link) -> tuple[FloatArray, FloatArray]:
    """Hazards as from :func:`hazards`, unchecked, and the probability of going on after each session.

    Going on is one minus the summed hazards, but exact where that difference would round to 0.

    Parameters
    ----------
    eta : ndarray of float, shape (..., ends, sessions)
        Linear predictors, none NaN or plus infinity.
    link : {"logit", "cloglog"}
        How predictors become hazards.

    Returns
    -------
    ndarray of float, shape (..., ends, sessions)
        Hazards.
    ndarray of float, shape (..., sessions)
        Probability that a case in treatment before the session goes on after it.

    Raises
    ------
    ValueError
        If the link is unknown.

    Examples
    --------
    >>> ends, going_on = hazards_and_going_on(np.array([[0.0, 50.0]]), "logit")
    >>> [f"{p:.3g}" for p in going_on]
    ['0.5', '1.93e-22']
    """
    largest = np.max(eta, axis=-2, keepdims=True)
    if link == "logit":
        shift = np.maximum(largest, 0.0)
        odds = np.exp(eta - shift)
        going_on = np.exp(-shift)
        total = going_on + odds.sum(axis=-2, keepdims=True)
        return odds / total, (going_on / total)[..., 0, :]
    if link == "cloglog":
        shift = np.where(np.isfinite(largest), largest, 0.0)
        rates = np.exp(eta - shift)
        share = rates.sum(axis=-2, keepdims=True)
        with np.errstate(over="ignore"):
            rate = share * np.exp(shift)
        return -np.expm1(-rate) * rates / np.where(share > 0, share, 1.0), np.exp(-rate)[..., 0, :]
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
        If an incidence is NaN or falls over sessions, the ends add to more than 1 at some session, or the
        axes are too few; the message names the first such place.

    Examples
    --------
    >>> hazards_of_incidence([[0.5, 0.7], [0.1, 0.14]]).round(4).tolist()
    [[0.5, 0.5], [0.1, 0.1]]
    """
    cumulative = _at_least_two_axes(incidence)
    step = np.diff(cumulative, axis=-1, prepend=0.0)
    wrong = ~(step >= -_ROUNDING)
    if np.any(wrong):
        where = _first(wrong)
        raise ValueError(
            f"incidence {cumulative[where]:g} at {_place(where)} is not a number from the one before it to 1"
        )
    _refuse_sums(cumulative, "incidences")
    left = 1.0 - np.concatenate([np.zeros_like(cumulative[..., :1]), cumulative[..., :-1]], axis=-1).sum(
        axis=-2, keepdims=True
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(left > _ROUNDING, np.clip(step, 0.0, None) / left, np.nan)


def _check(hazard: ArrayLike) -> FloatArray:
    array = _at_least_two_axes(hazard)
    outside = ~((array >= -_ROUNDING) & (array <= 1.0 + _ROUNDING))
    if np.any(outside):
        where = _first(outside)
        raise ValueError(f"hazard {array[where]:g} at {_place(where)} is outside 0 to 1")
    _refuse_sums(array, "hazards")
    return np.clip(array, 0.0, 1.0)


def _at_least_two_axes(values: ArrayLike) -> FloatArray:
    array = np.asarray(values, dtype=float)
    if array.ndim < 2:
        raise ValueError("at least the axes (ends, sessions) are needed")
    return array


def _refuse_sums(array: FloatArray, name: str) -> None:
    total = array.sum(axis=-2)
    above = total > 1.0 + _ROUNDING
    if np.any(above):
        where = _first(above)
        case = f"case {where[-2] + 1}, " if len(where) > 1 else ""
        raise ValueError(f"{name} of the ends add to {total[where]:.6g} at {case}session {where[-1] + 1}")


def _first(wrong: NDArray[np.bool_]) -> tuple[int, ...]:
    return tuple(int(i) for i in np.argwhere(wrong)[0])


def _place(where: tuple[int, ...]) -> str:
    case = f"case {where[-3] + 1}, " if len(where) > 2 else ""
    return f"{case}end {where[-2] + 1}, session {where[-1] + 1}"
