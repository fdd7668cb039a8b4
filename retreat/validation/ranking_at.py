"""Concordance of the incidence of an end by a session, with other ends and cases lost on the way."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from retreat.validation._checked import FloatArray, chosen, courses, predictions
from retreat.validation.censoring import known_weights
from retreat.validation.measure import Measure

MEASURES = (
    Measure("concordance_at", "concordance at a session (area under the ROC curve)", 0.0, 1.0, 1.0, "higher"),
)


def concordance_at(
    incidence: ArrayLike,
    sessions: ArrayLike,
    ending: ArrayLike,
    *,
    end: int,
    horizon: int,
    weights: ArrayLike | None = None,
) -> float:
    r"""Share of pairs, a case ended so by the session and one not, in which the former was given more.

    With :math:`w_i` the inverse probability of a case's state at the horizon being known
    (:func:`~retreat.validation.censoring_weights`) and :math:`y_i` whether it ended in that way by then,

    .. math:: \frac{\sum_{i,j} w_i y_i \, w_j (1 - y_j) \, [1(F_i > F_j) + 1(F_i = F_j) / 2]}
              {\sum_{i,j} w_i y_i \, w_j (1 - y_j)}

    the cumulative/dynamic area under the ROC curve. Controls are all that had not ended in that way by the
    horizon: still in treatment at it, or ended otherwise; definition (ii) of Blanche, Dartigues and
    Jacqmin-Gadda 2013 [1]_. From 0 to 1, which is best; 0.5 is no better than chance.

    Parameters
    ----------
    incidence : array_like of float, shape (n,)
        Predicted cumulative incidence of `end` by `horizon`, in [0, 1]; only its order matters.
    sessions : array_like of int, shape (n,)
        Sessions of each case, from 1.
    ending : array_like of int, shape (n,)
        0 still going on when last seen, 1..K the end.
    end : int
        Which end, 1..K.
    horizon : int
        By which session.
    weights : array_like of float, shape (n,), optional
        How many cases a row stands for.

    Returns
    -------
    float
        In [0, 1], higher is better; NaN if all or none of the cases known ended in that way by the horizon,
        because there is no pair, or if nobody was followed to it although some were lost before.

    Raises
    ------
    TableError
        If the arrays, the end or the horizon are not of that form.

    Notes
    -----
    Cases must be lost for reasons that say nothing of how they would have ended or of the prediction. With
    nobody lost this is :func:`~retreat.validation.concordance`.

    References
    ----------
    .. [1] Blanche P, Dartigues JF, Jacqmin-Gadda H. Estimating and comparing time-dependent areas under
       receiver operating characteristic curves for censored event times with competing risks. Stat Med
       2013;32:5381-5397 (from memory).

    Examples
    --------
    >>> sessions, ending = [1, 1, 2, 2, 3], [1, 0, 2, 1, 0]
    >>> round(concordance_at([0.8, 0.5, 0.3, 0.2, 0.1], sessions, ending, end=1, horizon=2), 4)
    0.7143
    """
    chosen(end=end, horizon=horizon)
    seen = courses(sessions, ending, weights)
    p = predictions(incidence, "incidence", seen)
    happened = (seen.ending == end) & (seen.sessions <= horizon)
    stands_for = seen.weights * known_weights(seen, horizon)
    return _share_of_pairs(p, np.where(happened, stands_for, 0.0), np.where(happened, 0.0, stands_for))


def _share_of_pairs(p: FloatArray, with_event: FloatArray, without: FloatArray) -> float:
    """Weighted share of pairs in which the case with the event was given more, ties counting half."""
    _, place = np.unique(p, return_inverse=True)
    above = np.bincount(place, with_event)  # by distinct prediction, rising
    others = np.bincount(place, without)
    pairs = above.sum() * others.sum()
    if not pairs > 0:  # also when weights are NaN
        return float("nan")
    below = np.cumsum(others) - others
    # rounding of fractional weights may pass 1
    return min(1.0, float(above @ (below + 0.5 * others) / pairs))
