"""Brier scores beside what everybody's incidence would score, and over all sessions."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from retreat.errors import Fault, TableError
from retreat.validation._checked import by_session, chosen, courses
from retreat.validation.censoring import AtHorizon, known_weights
from retreat.validation.measure import Measure
from retreat.validation.observed import aalen_johansen
from retreat.validation.squared_error_at import brier_at, contributions

MEASURES = (
    Measure(
        "scaled_brier_at", "scaled Brier score (index of prediction accuracy)", -np.inf, 1.0, 1.0, "higher"
    ),
    Measure("integrated_brier", "mean Brier score over sessions", 0.0, np.inf, 0.0, "lower"),
)

# an incidence nearer to 0 or 1 than this is one that rounding alone keeps from it
_ROUNDING = 1e-9


def scaled_brier_at(
    incidence: ArrayLike,
    sessions: ArrayLike,
    ending: ArrayLike,
    *,
    end: int,
    horizon: int,
    at_horizon: AtHorizon = "known",
    weights: ArrayLike | None = None,
) -> float:
    r"""Share of the Brier score of the observed incidence that the predictions take away.

    :math:`1 - B / B_0`, with :math:`B` the score of the predictions
    (:func:`~retreat.validation.brier_at`) and :math:`B_0` that of giving all these cases their Aalen-Johansen
    incidence: the index of prediction accuracy of Kattan and Gerds 2018 [1]_. 1 is best, 0 no better than
    telling everybody the same right number, below 0 worse than that.

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
    at_horizon : {"known", "unknown"}
        As for :func:`~retreat.validation.censoring_weights`.
    weights : array_like of float, shape (n,), optional
        How many cases a row stands for.

    Returns
    -------
    float
        At most 1, higher is better; NaN if all or none of the cases ended in that way by the horizon, for
        then nothing is left to explain, or if nobody was followed to it although some were lost before.

    Raises
    ------
    TableError
        If the arrays, the end or the horizon are not of that form.

    Notes
    -----
    The null prediction is made from the same cases and so is the best there could be of its kind.

    References
    ----------
    .. [1] Kattan MW, Gerds TA. The index of prediction accuracy: an intuitive measure useful for evaluating
       risk prediction models. Diagn Progn Res 2018;2:7 (from memory).

    Examples
    --------
    >>> sessions, ending = [1, 1, 2, 2, 3], [1, 0, 2, 1, 0]
    >>> round(scaled_brier_at([0.8, 0.5, 0.3, 0.6, 0.1], sessions, ending, end=1, horizon=2), 4)
    0.6893
    """
    score = brier_at(
        incidence, sessions, ending, end=end, horizon=horizon, at_horizon=at_horizon, weights=weights
    )
    observed = aalen_johansen(sessions, ending, weights=weights, horizon=horizon).incidence
    share = float(observed[end - 1, -1]) if end <= len(observed) else 0.0
    if not _ROUNDING < share < 1.0 - _ROUNDING:  # also when it is NaN
        return float("nan")
    everybody = np.full(np.shape(incidence), share)
    null = brier_at(
        everybody, sessions, ending, end=end, horizon=horizon, at_horizon=at_horizon, weights=weights
    )
    return 1.0 - score / null


def integrated_brier(
    incidence: ArrayLike,
    sessions: ArrayLike,
    ending: ArrayLike,
    *,
    end: int,
    weights: ArrayLike | None = None,
) -> float:
    r"""Mean over all sessions of the Brier score of the incidence of one end.

    :math:`\frac{1}{h} \sum_{k \le h} B(k)` with :math:`B(k)` the score at session k
    (:func:`~retreat.validation.brier_at`), every session counting alike: the integrated score of Graf and
    others 1999 [1]_ on whole sessions. From 0, which is best.

    Parameters
    ----------
    incidence : array_like of float, shape (n, ends, horizon) or (n, horizon)
        Predicted cumulative incidences in [0, 1], from before the first session; without the axis of ends
        those of `end`.
    sessions : array_like of int, shape (n,)
        Sessions of each case, from 1.
    ending : array_like of int, shape (n,)
        0 still going on when last seen, 1..K the end.
    end : int
        Which end, 1..K.
    weights : array_like of float, shape (n,), optional
        How many cases a row stands for.

    Returns
    -------
    float
        From 0, lower is better; NaN if nobody was followed to the horizon although some were lost before.

    Raises
    ------
    TableError
        If the arrays or the end are not of that form.

    References
    ----------
    .. [1] Graf E, Schmoor C, Sauerbrei W, Schumacher M. Assessment and comparison of prognostic
       classification schemes for survival data. Stat Med 1999;18:2529-2545 (from memory).

    Examples
    --------
    Brier scores of 0.25 after the first session and of 0.3125 after the second:

    >>> integrated_brier([[0.5, 0.75], [0.5, 0.75]], [1, 2], [1, 0], end=1)
    0.28125
    """
    chosen(end=end, horizon=1)
    array = np.asarray(incidence, dtype=float)
    ends = array.shape[1] if array.ndim == 3 else None
    seen = courses(sessions, ending, weights, n_ends=ends)
    predicted = by_session(array, "incidence", len(seen.sessions))
    if ends is not None and end > ends:
        raise TableError(Fault("end", f"value {end}", f"1 to {ends}, the ends of the incidence"))
    of_end = predicted[:, 0 if ends is None else end - 1]  # (n, horizon)
    scores = [
        np.average(
            contributions(p, (seen.ending == end) & (seen.sessions <= k), known_weights(seen, k)),
            weights=seen.weights,
        )
        for k, p in enumerate(of_end.T, start=1)
    ]
    return float(np.mean(scores))
