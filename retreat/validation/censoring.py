"""Weights that let the cases whose state at a session is known stand for those lost before."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from retreat.validation._checked import Courses, FloatArray, chosen, courses
from retreat.validation.observed import risk_sets

AtHorizon = Literal["known", "unknown"]


def censoring_weights(
    sessions: ArrayLike,
    ending: ArrayLike,
    *,
    horizon: int,
    at_horizon: AtHorizon = "known",
    weights: ArrayLike | None = None,
) -> FloatArray:
    r"""Inverse probability of a case's state at the horizon being known, 0 where it is not known.

    :math:`G(k) = \prod_{s \le k} (1 - c_s / (n_s - d_s))`, with :math:`n_s` at risk, :math:`d_s` ended and
    :math:`c_s` lost at session s, is the chance of not being lost up to and including session k: those who
    end leave the risk set before anyone is lost. A case ended at session T by the horizon weighs
    :math:`1 / G(T-1)`, a case still in treatment after it :math:`1 / G(h-1)`. The left limit
    :math:`G(T-1)`, not :math:`G(T)`, is right: whole sessions are all ties, and a case that ends at T need
    only have been followed to T (Graf and others 1999 [1]_; Gerds and Schumacher 2006 [2]_).

    Parameters
    ----------
    sessions : array_like of int, shape (n,)
        Sessions of each case, from 1.
    ending : array_like of int, shape (n,)
        0 still going on when last seen, 1..K the end.
    horizon : int
        Session h at whose end the state is asked for.
    at_horizon : {"known", "unknown"}
        How a case last seen going on after exactly `horizon` sessions counts. It is known to be still in
        treatment, as in the Aalen-Johansen estimate; "unknown" leaves it out and gives those seen later
        :math:`1 / G(h)`, as software for continuous time does.
    weights : array_like of float, shape (n,), optional
        How many cases a row stands for.

    Returns
    -------
    ndarray of float, shape (n,)
        Weights from 0; their mean over cases is exactly 1. All NaN if nobody was followed to the horizon
        although some were lost before.

    Raises
    ------
    TableError
        If the arrays or the horizon are not of that form.

    Notes
    -----
    Cases must be lost for reasons that say nothing of how they would have ended.

    References
    ----------
    .. [1] Graf E, Schmoor C, Sauerbrei W, Schumacher M. Assessment and comparison of prognostic
       classification schemes for survival data. Stat Med 1999;18:2529-2545 (from memory).
    .. [2] Gerds TA, Schumacher M. Consistent estimation of the expected Brier score in general survival
       models with right-censored event times. Biom J 2006;48:1029-1040 (from memory).

    Examples
    --------
    Of five eyes one is lost after the first session, so the other three left stand for four:

    >>> censoring_weights([1, 1, 2, 2, 3], [1, 0, 2, 1, 0], horizon=2).round(4).tolist()
    [1.0, 0.0, 1.3333, 1.3333, 1.3333]
    """
    chosen(end=1, horizon=horizon)
    return known_weights(courses(sessions, ending, weights), horizon, at_horizon)


def known_weights(seen: Courses, horizon: int, at_horizon: AtHorizon = "known") -> FloatArray:
    """The weights of :func:`censoring_weights` for checked courses."""
    at_risk, events = risk_sets(seen, horizon)
    staying = at_risk - events.sum(axis=0)
    lost = staying - np.append(at_risk[1:], _beyond(seen, horizon))
    kept = np.where(staying > 0, 1.0 - lost / np.where(staying > 0, staying, 1.0), 1.0)
    not_lost = np.concatenate([[1.0], np.cumprod(kept)])  # G(0), ..., G(h)
    by_horizon = (seen.ending > 0) & (seen.sessions <= horizon)
    out = np.zeros(len(seen.sessions))
    with np.errstate(divide="ignore"):  # a row of weight 0 may end where nobody is left
        out[by_horizon] = 1.0 / not_lost[seen.sessions[by_horizon] - 1]
    if at_horizon == "known":
        still, share = ~by_horizon & (seen.sessions >= horizon), not_lost[horizon - 1]
    elif at_horizon == "unknown":
        still, share = seen.sessions > horizon, not_lost[horizon]
    else:
        raise ValueError(f"at_horizon {at_horizon!r} is not one of 'known', 'unknown'")
    out[still] = 1.0 / share if share > 0 else 0.0
    # the weights stand for all cases, unless those left at the end were all lost
    out[~np.isfinite(out)] = 0.0
    stands_for_all = np.isclose(seen.weights @ out, seen.weights.sum(), rtol=1e-9, atol=0.0)
    return out if stands_for_all else np.full_like(out, np.nan)


def _beyond(seen: Courses, horizon: int) -> float:
    return float(seen.weights[seen.sessions > horizon].sum())
