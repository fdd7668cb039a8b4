"""Whether courses are as long as the others foresee: leave-one-out probability integral transform."""

from __future__ import annotations

import numpy as np

from retreat.checks.held_out import CrossValidation
from retreat.validation.histogram import DCalibration, d_calibration

# equal parts of the unit interval
BINS = 10


def pit_by_others(found: CrossValidation, ended: np.ndarray, *, bins: int = BINS) -> DCalibration:
    r"""Where each course falls in the distribution of its sessions that the other cases foresee.

    With :math:`F_i` the predictive distribution of case i by the others, a course over at session T is spread evenly
    from :math:`F_i(T - 1)` to :math:`F_i(T)`: the non-randomised transform for counts of Czado, Gneiting and Held
    2009 [1]_. One last seen still in treatment after T is spread evenly from :math:`F_i(T)` to 1. If the model is
    true the sum over cases is even.

    The test is that of :func:`retreat.validation.histogram.d_calibration`. Here it rejects too rarely (the tests of
    this package simulate it): effects of the sessions are fitted to all cases but one, so that the sum over cases is
    nearly even whatever else is wrong.

    Parameters
    ----------
    found : CrossValidation
        Of each case.
    ended : ndarray of bool, shape (cases,)
        Whether the course was over when last seen.
    bins : int
        Equal parts of the unit interval.

    References
    ----------
    .. [1] Czado C, Gneiting T, Held L. Predictive model assessment for count data. Biometrics 2009;65:1254-1261
       (from memory).
    """
    told = np.isfinite(found.over_by)
    before, by = found.over_before[told], found.over_by[told]
    # two steps a case: over before its last session, and at it
    pmf = np.stack([before, by - before], axis=1)
    return d_calibration(pmf, np.full(len(pmf), 2), ended[told].astype(int), bins=bins)
