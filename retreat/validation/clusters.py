"""How much calibration differs between operators, sites or periods, and what that means for one not seen yet.

The spread is told, never who: no label leaves this module.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from retreat.validation._checked import Courses, FloatArray, IntArray
from retreat.validation._spread import Interval
from retreat.validation.agreement_at import calibration_at

# clusters with fewer cases, or fewer events expected, are not looked at: their ratio is noise
_LEAST_CASES, _LEAST_EVENTS = 20, 5
_LEAST_CLUSTERS = 3


@dataclass(frozen=True)
class ClusterSpread:
    """Observed over expected across clusters, each predicted by a model of the others.

    Parameters
    ----------
    by : str
        operator, site or period.
    end : str
        Which end.
    horizon : int
        By which session.
    n_clusters, n_small : int
        Clusters looked at, and left out: too small, not followed so far, or their fit failed.
    pooled : float
        Mean ratio of a random-effects model on the log scale.
    pooled_interval : tuple of float
        Its interval.
    spread : float
        Standard deviation of the log ratio between clusters (0: no more than chance).
    unseen : tuple of float
        Prediction interval of the ratio of a cluster not seen yet.
    shrunken : tuple of float
        Smallest and largest ratio after shrinkage to the mean.
    reason : str
        Why values are NaN; empty when none is.
    """

    by: str
    end: str
    horizon: int
    n_clusters: int
    n_small: int
    pooled: float = np.nan
    pooled_interval: Interval = (np.nan, np.nan)
    spread: float = np.nan
    unseen: Interval = (np.nan, np.nan)
    shrunken: Interval = (np.nan, np.nan)
    reason: str = ""


def cluster_spread(
    incidence: FloatArray,
    seen: Courses,
    cluster: IntArray,
    patients: IntArray,
    *,
    by: str,
    ends: Sequence[str],
    horizons: Sequence[int],
    level: float = 0.95,
) -> tuple[ClusterSpread, ...]:
    """Spread of observed over expected between clusters (Riley and others 2016; DerSimonian and Laird 1986).

    Parameters
    ----------
    incidence : ndarray of float, shape (cases, ends, sessions)
        Predictions for each case by a model that has not seen its cluster.
    seen : Courses
        What happened.
    cluster, patients : ndarray of int, shape (cases,)
        Cluster and patient of each case, numbered from 0.
    by : str
        What the clusters are.
    ends, horizons
        What is looked at.
    level : float in (0, 1)
        Of the intervals.

    References
    ----------
    Riley RD and others. External validation of clinical prediction models using big datasets from e-health records
    or IPD meta-analysis. BMJ 2016;353:i3140 (from memory). DerSimonian R, Laird N. Meta-analysis in clinical
    trials. Control Clin Trials 1986;7:177-188 (from memory). Higgins JPT, Thompson SG, Spiegelhalter DJ. A
    re-evaluation of random-effects meta-analysis. J R Stat Soc A 2009;172:137-159 (from memory), prediction interval.
    """
    rows = []
    for j, end in enumerate(ends):
        for h in horizons:
            log_ratio, variance, small = [], [], 0
            for number in range(int(cluster.max()) + 1):
                rows_of = cluster == number
                expected = float(incidence[rows_of, j, h - 1].sum())
                if rows_of.sum() < _LEAST_CASES or expected < _LEAST_EVENTS:
                    small += 1
                    continue
                found = calibration_at(
                    incidence[rows_of, j, h - 1],
                    seen.sessions[rows_of],
                    seen.ending[rows_of],
                    end=j + 1,
                    horizon=h,
                    groups=patients[rows_of],
                    level=0.6826894921370859,  # one standard error to each side
                )
                low, high = found.observed_interval
                if np.isnan(found.observed):
                    small += 1
                elif found.observed == 0:  # half an event, so that a cluster without any still counts
                    log_ratio.append(np.log(0.5 / expected))
                    variance.append(2.0)
                else:
                    log_ratio.append(np.log(found.observed_expected))
                    variance.append(((np.log(high) - np.log(max(low, 1e-9))) / 2.0) ** 2)
            rows.append(_pooled(by, end, h, np.array(log_ratio), np.array(variance), small, level))
    return tuple(rows)


def _pooled(
    by: str, end: str, horizon: int, y: FloatArray, v: FloatArray, small: int, level: float
) -> ClusterSpread:
    k = len(y)
    if k < _LEAST_CLUSTERS:
        why = f"{k} of enough cases ({_LEAST_CASES}) and events, at least {_LEAST_CLUSTERS} needed"
        return ClusterSpread(by, end, horizon, k, small, reason=why)
    from scipy.stats import t as student  # heavy: only for this table

    w = 1.0 / v
    fixed = (w * y).sum() / w.sum()
    q = float((w * (y - fixed) ** 2).sum())
    tau2 = max(0.0, (q - (k - 1)) / (w.sum() - (w**2).sum() / w.sum()))
    weight = 1.0 / (v + tau2)
    mean = float((weight * y).sum() / weight.sum())
    error = float(np.sqrt(1.0 / weight.sum()))
    reach = float(student.ppf(0.5 + level / 2.0, k - 1)) * error
    ahead = float(student.ppf(0.5 + level / 2.0, max(k - 2, 1))) * float(np.sqrt(tau2 + error**2))
    shrunken = np.exp(mean + tau2 / (tau2 + v) * (y - mean))
    return ClusterSpread(
        by,
        end,
        horizon,
        k,
        small,
        float(np.exp(mean)),
        (float(np.exp(mean - reach)), float(np.exp(mean + reach))),
        float(np.sqrt(tau2)),
        (float(np.exp(mean - ahead)), float(np.exp(mean + ahead))),
        (float(shrunken.min()), float(shrunken.max())),
    )
