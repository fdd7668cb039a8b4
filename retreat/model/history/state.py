"""Conventions of the state of an eye under treatment, shared by the fit and the forecast."""

from __future__ import annotations

from typing import Any

import numpy as np

# what is removed counts for less the more there is of it, and at most this much: a grade of all cleared is open upwards
MOST_REMOVED = 4
# sessions after this many more share the effect of the last
STEPS = 3
# what is taken from each part of the state before it enters a predictor: values of an ordinary eye after one session
REMOVED, SHARE, WORTH = 0.7, 0.5, 0.4
# log of what an ordinary session removes, with which a fit begins
LOG_REMOVED = -0.7
BOTHER, BEFORE = 4.0, 6.0  # points of 0 to 10
# least that a session delivers, so that its logarithm is a number: pulses, and mJ (our judgement)
LEAST_PULSES, LEAST_ENERGY_MJ = 1.0, 0.1
# grades this near to 0 or 1 are read as "no more than" and "no less than"
EDGE = 0.005
LOW_ANGLE, TOP_ANGLE = float(np.arcsin(np.sqrt(EDGE))), float(np.arcsin(np.sqrt(1 - EDGE)))


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
