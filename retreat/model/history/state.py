"""Conventions of the state of an eye under treatment, shared by the fit and the forecast."""

from __future__ import annotations

from typing import Any

# what is removed counts for less the more there is of it, and at most this much: a grade of all cleared is open upwards
MOST_REMOVED = 4
# sessions after this many more share the effect of the last
STEPS = 3
# what is taken from each part of the state before it enters a predictor: values of an ordinary eye after one session
REMOVED, SHARE, WORTH = 0.7, 0.5, 0.4
# how much the share cleared rises with what counts as removed, about an ordinary eye: that part of it is left out
BENT = 0.6
# log of what an ordinary session removes, with which a fit begins
LOG_REMOVED = -0.7
BOTHER, BEFORE = 4.0, 6.0  # points of 0 to 10
# least that a session delivers, so that its logarithm is a number: pulses, and mJ (our judgement)
LEAST_PULSES, LEAST_ENERGY_MJ = 1.0, 0.1
# ratings of 0 and 10 are read as "no more than" and "no less than" these
LOW_RATING, TOP_RATING = 0.5, 9.5
# grades this near to 0 or 1 are read as "no more than" and "no less than"
EDGE = 0.005


def in_shadow(left: Any) -> tuple[Any, Any]:
    """What of the material removed counts, and the share cleared; the fit and the forecast call it alike.

    Parameters
    ----------
    left : ndarray or tensor
        exp(-removed / MOST_REMOVED).

    Returns
    -------
    ndarray or tensor
        MOST_REMOVED (1 - exp(-removed / MOST_REMOVED)): about what is removed where that is little, never above.
    ndarray or tensor
        1 - exp(-removed).

    Examples
    --------
    >>> import numpy as np
    >>> in_shadow(np.exp(-np.array([0.1, 0.7, 20.0]) / MOST_REMOVED))
    (array([0.09876035, 0.64217192, 3.97304821]), array([0.09516258, 0.5034147 , 1.        ]))
    """
    squared = left * left
    return MOST_REMOVED * (1.0 - left), 1.0 - squared * squared


def bent(removed: Any, share: Any) -> Any:
    """How the share cleared differs from a straight line in what counts as removed, about an ordinary eye.

    Parameters
    ----------
    removed, share : ndarray or tensor
        As :func:`in_shadow` gives them.

    Returns
    -------
    ndarray or tensor
        Negative early and late, so that its weight bends the fall of bother.

    Examples
    --------
    >>> import numpy as np
    >>> bent(np.array([0.0, 0.7, 3.0]), np.array([0.0, 0.5, 1.0])).round(2)
    array([-0.08,  0.  , -0.88])
    """
    return share - SHARE - BENT * (removed - REMOVED)


def grade_variance(share: Any, error: Any, even: Any) -> Any:
    """Variance of an operator's grade: a part as of a beta variable, most in the middle, a part the same at any share.

    Parameters
    ----------
    share : ndarray or tensor
        Cleared, 0 to 1.
    error : ndarray or tensor
        Standard deviation of the grade of a half.
    even : ndarray or tensor
        Share of its variance that does not fall towards none and all: of reading and rounding, 0 to 1.

    Returns
    -------
    ndarray or tensor

    Examples
    --------
    >>> import numpy as np
    >>> np.sqrt(grade_variance(np.array([0.5, 1.0]), 0.1, 0.36))
    array([0.1 , 0.06])
    """
    return error**2 * (even + (1.0 - even) * 4.0 * share * (1.0 - share))
