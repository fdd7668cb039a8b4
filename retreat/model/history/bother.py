"""The scale on which bother is modelled."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def logit_of_bother(rating: FloatArray) -> FloatArray:
    """Bother of 0 to 10 on the scale the model works on; half a point keeps 0 and 10 finite.

    Examples
    --------
    >>> logit_of_bother(np.array([5.0])).tolist()
    [0.0]
    """
    return np.asarray(np.log((rating + 0.5) / (10.5 - rating)))


def bother_of_logit(logit: FloatArray) -> FloatArray:
    """Back to the rating of 0 to 10.

    Examples
    --------
    >>> bother_of_logit(logit_of_bother(np.array([0.0, 3.0, 10.0]))).round(9).tolist()
    [0.0, 3.0, 10.0]
    """
    return np.asarray(np.clip(11.0 / (1.0 + np.exp(-logit)) - 0.5, 0.0, 10.0))
