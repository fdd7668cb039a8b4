"""What draws say of an effect: how sure its direction is, and how much of it is too small to matter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.fitting.arguments import is_number

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Equivalence:
    """Effects too small to matter: a region of practical equivalence around none, stated before looking.

    Parameters
    ----------
    log_odds : float, above 0
        Half width on the log odds. Default 0.18, a tenth of the standard deviation of the logistic distribution
        (Kruschke 2018 [1]_): odds ratios 0.84 to 1.20.
    probability : float, above 0
        Half width of a difference in probability. Default 0.02, two eyes in a hundred (our judgement).
    sessions : float, above 0
        Half width of a difference in mean sessions. Default 0.1, one session in ten courses (our judgement).

    References
    ----------
    .. [1] Kruschke JK. Rejecting or accepting parameter values in Bayesian estimation. Adv Methods Pract Psychol Sci
       2018;1:270-280 (from memory).
    """

    log_odds: float = 0.18
    probability: float = 0.02
    sessions: float = 0.1

    def __post_init__(self) -> None:
        faults = [
            Fault(name, f"{value!r}", "a number above 0")
            for name, value in vars(self).items()
            if not is_number(value) or value == 0
        ]
        if faults:
            raise FitError(faults)


def direction_columns(draws: FloatArray, half_width: FloatArray, level: float) -> dict[str, Any]:
    """What draws say of each number.

    Parameters
    ----------
    draws : ndarray of float, shape (draws, numbers)
        Equally likely values.
    half_width : ndarray of float, shape (numbers,)
        Half width of the region of practical equivalence around 0.
    level : float in (0, 1)
        Of the equal-tailed interval.

    Returns
    -------
    dict of str to ndarray, each of shape (numbers,)
        estimate (mean), standard_error (standard deviation), low, high; direction: the share of draws on the side of
        0 where most are, from 0.5 to 1 (Makowski and others 2019, Front Psychol 10:2767, from memory); side (``above``
        or ``below``); equivalent: share inside the region; region: its half width.

    Examples
    --------
    >>> found = direction_columns(np.array([[-0.1], [0.3], [0.5], [0.7]]), np.array([0.2]), 0.9)
    >>> found["direction"].tolist(), found["side"].tolist(), found["equivalent"].tolist()
    ([0.75], ['above'], [0.25])
    """
    low, high = np.quantile(draws, ((1.0 - level) / 2.0, (1.0 + level) / 2.0), axis=0)
    # draws at exactly 0 count for neither side
    above, below = (draws > 0).mean(axis=0), (draws < 0).mean(axis=0)
    return {
        "estimate": draws.mean(axis=0),
        "standard_error": draws.std(axis=0, ddof=1),
        "low": low,
        "high": high,
        "direction": np.maximum(above, below),
        "side": np.where(above >= below, "above", "below"),
        "equivalent": (np.abs(draws) <= half_width).mean(axis=0),
        "region": half_width,
    }
