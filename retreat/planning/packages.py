"""Sessions of whole courses and what they bring: the arithmetic behind prices."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from retreat.planning.demand import quantile

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import Model

FloatArray = NDArray[np.float64]

# sessions up to which a course is followed, and draws of the model
MOST_SESSIONS = 20
_MOST_DRAWS = 400


def weekly_income(
    weekly: FloatArray, price: float, missed: float | FloatArray
) -> tuple[tuple[float, float, float, float], ...]:
    """Mean, 10%, 50% and 90% point of the income of each week from attended sessions.

    Parameters
    ----------
    weekly : ndarray of float, shape (weeks, slots + 1)
        Distribution of the slots used.
    price : float
        Of an attended session.
    missed : float in [0, 1), or ndarray of shape (weeks,)
        Chance that a booking is missed, or that of each week.

    Examples
    --------
    >>> weekly_income(np.array([[0.0, 0.0, 1.0]]), 100.0, 0.0)
    ((200.0, 200.0, 200.0, 200.0),)
    """
    used = np.array(weekly, dtype=float)
    attended = thinned(used, 1.0 - np.broadcast_to(missed, len(used)))
    means = attended @ np.arange(attended.shape[1])
    points = [quantile(attended, p) for p in (0.1, 0.5, 0.9)]
    return tuple(
        (price * float(mean), price * float(low), price * float(middle), price * float(high))
        for mean, low, middle, high in zip(means, *points, strict=True)
    )


def thinned(pmf: FloatArray, share: FloatArray) -> FloatArray:
    """Distribution of how many are kept of a random number, each kept on its own with a chance.

    The generating function at 1 - share + share z, by Horner's scheme.

    Parameters
    ----------
    pmf : ndarray of float, shape (weeks, slots + 1)
        Distribution of each number.
    share : ndarray of float, shape (weeks,)
        Chance of being kept.

    Examples
    --------
    >>> thinned(np.array([[0.0, 0.0, 1.0]]), np.array([0.5])).tolist()
    [[0.25, 0.5, 0.25]]
    """
    out = np.zeros_like(pmf)
    kept = np.asarray(share)[:, None]
    for n in range(pmf.shape[1] - 1, -1, -1):
        moved = kept * out[:, :-1]
        out *= 1.0 - kept
        out[:, 1:] += moved
        out[:, 0] += pmf[:, n]
    return out


def sessions_together(pmf: ArrayLike, eyes: int) -> FloatArray:
    """Distribution of the sessions of so many eyes together, mixed over draws, shape (eyes * sessions + 1,).

    Eyes are independent given the parameters, so the doubt about these does not average out over eyes.

    Parameters
    ----------
    pmf : array_like of float, shape (draws, sessions + 1)
        Chance that one eye needs exactly n sessions, from 0 on.
    eyes : int, at least 1
        How many.

    Examples
    --------
    >>> sessions_together([[0.0, 0.5, 0.5]], 2).round(3).tolist()
    [0.0, 0.0, 0.25, 0.5, 0.25]
    """
    one = np.asarray(pmf, dtype=float)
    size = eyes * (one.shape[1] - 1) + 1
    each = np.fft.irfft(np.fft.rfft(one, n=size, axis=1) ** eyes, n=size, axis=1)
    return np.clip(each.mean(axis=0), 0.0, None)


def break_even(pmf: ArrayLike, session_cost: float, *, confidence: float, eyes: int = 1) -> float:
    """Least price of a package that covers its sessions with a chosen confidence.

    Parameters
    ----------
    pmf : array_like of float, shape (draws, sessions + 1)
        Chance that one eye needs exactly n sessions, from 0 on.
    session_cost : float
        What a session costs the clinic.
    confidence : float in (0, 1)
        Chance that the packages of `eyes` eyes cover their sessions together.
    eyes : int, at least 1
        How many packages are looked at together.

    Examples
    --------
    >>> break_even([[0.0, 0.5, 0.3, 0.2]], 100.0, confidence=0.8), break_even([[0, 0.5, 0.3, 0.2]], 100, confidence=0.9)
    (200.0, 300.0)
    """
    total = sessions_together(pmf, eyes)
    return float(session_cost * int(quantile(total, confidence)) / eyes)


def course_lengths(model: Model, cases: pd.DataFrame) -> tuple[FloatArray, float]:
    """Chance that an eye like one of these needs exactly n sessions, from before its first.

    Parameters
    ----------
    model : Model
        Saved model.
    cases : DataFrame
        Cases that stand for a kind; their own courses are not used.

    Returns
    -------
    ndarray of float, shape (draws, sessions + 1)
        Empty where the model refuses every case. A course past the last session followed is counted as that.
    float
        Chance of such a course.
    """
    fresh = cases.assign(sessions=0, ending="ongoing", stop_reason="not_applicable").reset_index(drop=True)
    inside = fresh[[not one.refusals for one in model.support_of(fresh)]]
    if inside.empty:
        return np.empty((0, 0)), 0.0
    draws = min(_MOST_DRAWS, model.parameters.n_draws)
    pmf = (
        model.forecast(inside, horizon=MOST_SESSIONS, draws=draws).pmf.sum(axis=2).mean(axis=1)
    )  # (draws, sessions)
    left = np.clip(1.0 - pmf.sum(axis=1), 0.0, 1.0)
    pmf[:, -1] += left
    return np.concatenate([np.zeros((len(pmf), 1)), pmf], axis=1), float(left.mean())
