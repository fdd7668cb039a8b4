"""Rubin's rules: one estimate of several completed tables, and one test of several coefficients."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from retreat.errors import Fault, FitError

FloatArray = NDArray[np.float64]

# between-imputation spread below this share of the total is rounding: the tables were alike
_ALIKE = 1e-12


@dataclass(frozen=True)
class Pooled:
    """Estimates of completed tables joined, each array of one shape.

    Parameters
    ----------
    estimate : ndarray of float
        Mean over imputations.
    error : ndarray of float
        Standard error.
    df : ndarray of float
        Degrees of freedom of the t distribution it is held against; infinite for the normal.
    missing : ndarray of float
        Share of the information that is lost to gaps, in [0, 1).
    """

    estimate: FloatArray
    error: FloatArray
    df: FloatArray
    missing: FloatArray

    def interval(self, level: float) -> tuple[FloatArray, FloatArray]:
        """Lower and upper limit at a level in (0, 1)."""
        from scipy.stats import t  # heavy: only for tables of effects

        half = t.ppf(0.5 + level / 2.0, self.df) * self.error
        return self.estimate - half, self.estimate + half

    def p_value(self) -> FloatArray:
        """Two-sided p-value of a value of 0."""
        from scipy.stats import t  # heavy: only for tables of effects

        return np.asarray(2.0 * t.sf(np.abs(self.estimate / self.error), self.df))


@dataclass(frozen=True)
class JointTest:
    """A Wald test that several numbers are all 0.

    Parameters
    ----------
    chi_square : float
        Statistic; its mean is `df` where they are.
    df : int
        How many.
    df_error : float
        Degrees of freedom of its denominator: chi_square / df is held against F(df, df_error), infinite for a
        chi-square distribution.
    p : float
        Its p-value.
    """

    chi_square: float
    df: int
    df_error: float
    p: float


def pool(estimates: ArrayLike, variances: ArrayLike, *, complete_df: float = np.inf) -> Pooled:
    r"""Join estimates of completed tables by Rubin's rules.

    With mean :math:`\bar Q` of m estimates, mean variance :math:`\bar U` within and spread B between them, the
    variance is :math:`T = \bar U + (1 + 1/m) B` (Rubin 1987 [1]_), with the degrees of freedom of Barnard and
    Rubin 1999 [2]_. A single table is taken as complete.

    Parameters
    ----------
    estimates, variances : array_like of float, shape (imputations, ...)
        Estimates and their variances.
    complete_df : float, above 0
        Degrees of freedom had nothing been missing; infinite for the normal.

    Raises
    ------
    FitError
        If there are no imputations, or the shapes differ.

    References
    ----------
    .. [1] Rubin DB. Multiple Imputation for Nonresponse in Surveys. Wiley, 1987, chapter 3 (from memory).
    .. [2] Barnard J, Rubin DB. Small-sample degrees of freedom with multiple imputation. Biometrika 1999;86:948-955
       (from memory).

    Examples
    --------
    >>> one = pool([1.0, 2.0, 3.0], [0.5, 0.5, 0.5])
    >>> float(one.estimate), round(float(one.error) ** 2, 4), round(float(one.df), 4)
    (2.0, 1.8333, 3.7812)
    """
    values, spread = np.asarray(estimates, dtype=float), np.asarray(variances, dtype=float)
    if not len(values) or values.shape != spread.shape:
        what = f"estimates of shape {values.shape}, variances of shape {spread.shape}"
        raise FitError(Fault("imputations", what, "one shape, imputations first, at least one"))
    m = len(values)
    within = spread.mean(axis=0)
    df = np.full(within.shape, float(complete_df))
    if m == 1:
        return Pooled(values[0], np.sqrt(within), df, np.zeros(within.shape))
    between = values.var(axis=0, ddof=1) * (1.0 + 1.0 / m)
    total = within + between
    lost = np.divide(between, total, out=np.zeros_like(total), where=total > 0)
    gaps = lost > _ALIKE
    old = np.divide(m - 1.0, lost**2, out=np.full(lost.shape, np.inf), where=gaps)
    seen = df * (1.0 - lost)
    if np.isfinite(complete_df):
        seen *= (complete_df + 1.0) / (complete_df + 3.0)
    found = np.where(gaps, 1.0 / (1.0 / old + 1.0 / seen), df)
    ratio = lost / (1.0 - lost)
    missing = np.where(gaps, (ratio + 2.0 / (found + 3.0)) / (ratio + 1.0), 0.0)
    return Pooled(values.mean(axis=0), np.sqrt(total), found, missing)


def joint_test(estimates: ArrayLike, covariances: ArrayLike, *, complete_df: float = np.inf) -> JointTest:
    r"""Wald test that several numbers are all 0, over completed tables.

    One table: :math:`W = Q' U^{-1} Q`, W / k against F(k, complete_df). Several: the statistic :math:`D_1` of Li,
    Raghunathan and Rubin 1991 [1]_, which takes the share of information lost as common to the numbers, with their
    degrees of freedom, joined with those of the complete table as the numbers of several tables are.

    Parameters
    ----------
    estimates : array_like of float, shape (imputations, numbers)
        Estimates.
    covariances : array_like of float, shape (imputations, numbers, numbers)
        Their covariances.
    complete_df : float, above 0
        As for :func:`pool`.

    Raises
    ------
    FitError
        If the shapes do not fit, or the numbers hang together without error.

    References
    ----------
    .. [1] Li KH, Raghunathan TE, Rubin DB. Large-sample significance levels from multiply imputed data using
       moment-based statistics and an F reference distribution. JASA 1991;86:1065-1073 (from memory).

    Examples
    --------
    >>> found = joint_test([[1.96, 0.0]], [[[1.0, 0.0], [0.0, 1.0]]])
    >>> round(found.chi_square, 4), found.df, round(found.p, 3)
    (3.8416, 2, 0.146)
    """
    from scipy.stats import chi2, f  # heavy: only for tables of effects

    values, spread = np.asarray(estimates, dtype=float), np.asarray(covariances, dtype=float)
    if values.ndim != 2 or not values.size or spread.shape != (*values.shape, values.shape[1]):
        what = f"estimates of shape {values.shape}, covariances of shape {spread.shape}"
        raise FitError(Fault("imputations", what, "(imputations, k) and (imputations, k, k)"))
    m, k = values.shape
    mean, within = values.mean(axis=0), spread.mean(axis=0)
    scale = np.sqrt(np.diag(within))
    if not (scale > 0).all() or np.linalg.matrix_rank(within / np.outer(scale, scale), hermitian=True) < k:
        what = f"{k} numbers that hang together without error"
        raise FitError(Fault("test", what, "numbers of which none follows from the others", "test fewer"))
    statistic = float(mean @ np.linalg.solve(within, mean))
    df = float(complete_df)
    if m > 1:
        centred = values - mean
        between = centred.T @ centred / (m - 1.0)
        increase = (1.0 + 1.0 / m) * float(np.trace(np.linalg.solve(within, between))) / k
        statistic /= 1.0 + increase
        if increase > _ALIKE:
            df = _joined(_d1_df(k, m, increase), complete_df, increase)
    # scipy's F knows no infinite degrees of freedom and would answer NaN
    p = f.sf(statistic / k, k, df) if np.isfinite(df) else chi2.sf(statistic, k)
    return JointTest(statistic, k, df, float(p))


def _d1_df(k: int, m: int, increase: float) -> float:
    t = k * (m - 1.0)
    if t > 4.0:
        return 4.0 + (t - 4.0) * (1.0 + (1.0 - 2.0 / t) / increase) ** 2
    return t * (1.0 + 1.0 / k) * (1.0 + 1.0 / increase) ** 2 / 2.0


def _joined(df: float, complete_df: float, increase: float) -> float:
    """Degrees of freedom no larger than the complete table has, as Barnard and Rubin join them for one number."""
    if not np.isfinite(complete_df):
        return df
    seen = (complete_df + 1.0) / (complete_df + 3.0) * complete_df / (1.0 + increase)
    return 1.0 / (1.0 / df + 1.0 / seen)
