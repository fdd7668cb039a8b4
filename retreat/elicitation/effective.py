"""How many eyes a prior is worth."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def effective_cases(share: ArrayLike, log_odds_variance: ArrayLike) -> FloatArray:
    r"""Number of eyes whose information on a share equals a prior's: :math:`n = 1 / (v\, p (1 - p))`.

    :math:`n` eyes seen to the session tell :math:`n\,p(1-p)` of the log odds of the share :math:`p` (Fisher
    information of binomial counts); a prior whose log odds have variance :math:`v` tells :math:`1/v`. For a beta
    prior with parameters a and b, whose log odds have information :math:`ab/(a+b)` at their mode
    :math:`p=a/(a+b)`, this is :math:`a+b` exactly: the number of eyes of the conjugate reading (Morita, Thall
    and Müller 2008 [1]_ match curvatures in the same way).

    Parameters
    ----------
    share : array_like of float, in (0, 1)
        Share in the middle of the prior.
    log_odds_variance : array_like of float, above 0
        Variance of its log odds under the prior.

    Returns
    -------
    ndarray of float
        Eyes.

    References
    ----------
    .. [1] Morita S, Thall PF, Müller P. Determining the effective sample size of a parametric prior. Biometrics
       2008;64:595-602 (from memory).

    Examples
    --------
    >>> a, b = 3.0, 7.0
    >>> round(float(effective_cases(a / (a + b), (a + b) / (a * b))), 9)
    10.0
    """
    p = np.asarray(share, dtype=float)
    return np.asarray(1.0 / (np.asarray(log_odds_variance, dtype=float) * p * (1.0 - p)))
