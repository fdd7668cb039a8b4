"""What published averages weigh, as a number of own cases."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike


def own_cases(share: ArrayLike) -> float:
    """Number of own cases that would tell as much of a share as these draws do.

    A clinic that knew nothing of a share q but had seen n of its own eyes, a mean share of them relieved, would
    hold q to be beta distributed with variance mean (1 - mean) / (n + 1). The number returned is the n that gives
    the variance of the draws: mean (1 - mean) / variance - 1, the prior effective sample size of Morita, Thall and
    Mueller 2008 for a share.

    Parameters
    ----------
    share : array_like of float, shape (draws,)
        Draws of the share in a practice not seen before, between 0 and 1; not all alike.

    Returns
    -------
    float
        From 0 (each draw is 0 or 1: nothing is known) upwards.

    References
    ----------
    Morita S, Thall PF, Mueller P. Determining the effective sample size of a parametric prior. Biometrics
    2008;64:595-602 (from memory).

    Examples
    --------
    Draws as sure as 7 eyes relieved and 3 not would make a clinic that knew nothing before:

    >>> draws = np.random.default_rng(1).beta(7, 3, 100_000)
    >>> round(own_cases(draws), 1)
    10.0
    """
    q = np.asarray(share, dtype=float)
    mean, variance = float(q.mean()), float(q.var())
    return max(mean * (1.0 - mean) / variance - 1.0, 0.0)
