"""`BetaGeometric`: trials until success when cases differ in their chance, by scikit-learn's conventions."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass, replace
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator

from retreat import hazard
from retreat.counts import check_courses
from retreat.errors import ExtrapolationWarning, Fault, FitError
from retreat.fitting.arguments import read_horizon, read_weights
from retreat.fitting.columns import Columns, check_collinear, read_columns, read_fitted_columns
from retreat.fitting.newton import Solution
from retreat.fitting.trial_likelihood import TrialTable, collapse, fit_geometric, fit_interior

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# a standard error or coefficient, on standardised columns, beyond these has run off (as in hazardfit)
_RUNAWAY_ERROR = 50.0
_FAR = 10.0
_GEOMETRIC = (
    "the likelihood is largest without heterogeneity (theta = 0): the geometric law, alpha and beta infinite; the "
    "inverse information says nothing of an estimate at its bound"
)


@dataclass(frozen=True)
class HeterogeneityTest:
    """Likelihood-ratio test of heterogeneity against the geometric law, one chance for all at given covariates.

    Parameters
    ----------
    statistic : float
        Twice the gain in log likelihood, from 0.
    p_value : float
        From the mixture, half at 0 and half chi-squared with 1 degree of freedom; 1 when the statistic is 0.
    log_likelihood, log_likelihood_geometric : float
        With and without heterogeneity.
    """

    statistic: float
    p_value: float
    log_likelihood: float
    log_likelihood_geometric: float


class BetaGeometric(BaseEstimator):  # type: ignore[misc]  # scikit-learn carries no types
    r"""Beta-geometric model of the session of success: each case has its own chance, the same at every session.

    The chances of cases with covariates x follow a beta distribution of mean :math:`\mu`,
    :math:`\operatorname{logit} \mu = a + x'b`, and heterogeneity :math:`\theta = 1 / (\alpha + \beta)` common to
    all (Weinberg and Gladen 1986 [1]_). Those likely to succeed leave first, so that the hazard of who is still
    going falls, :math:`\mu / (1 + \theta (k - 1))` at session k, though nobody's own chance does. Censoring is
    taken as independent of the chance given the covariates. A hazard that falls for another reason (each session
    helps less) looks the same in these data.

    Attributes
    ----------
    alpha_, beta_ : float
        Parameters of the beta distribution at covariates 0; infinite in the geometric limit.
    coef_ : ndarray, shape (columns,)
        Log odds ratios of the mean chance, on the raw scale of X.
    intercept_ : float
        Logit of the mean chance at covariates 0.
    heterogeneity_ : float
        :math:`\theta`, from 0; 0 is the geometric law.
    note_ : str
        Why the covariance is missing; empty when it is not.
    covariance_ : ndarray, shape (2 + columns, 2 + columns)
        Inverse observed information of ``intercept_``, log ``heterogeneity_``, ``coef_``; all NaN when
        ``heterogeneity_`` is 0.
    log_likelihood_, log_likelihood_geometric_ : float
        Log likelihood, and that of the geometric law with the same columns.
    max_session_ : int
        Largest session seen.
    n_steps_ : int
        Newton steps taken.

    References
    ----------
    .. [1] Weinberg CR, Gladen BC. The beta-geometric distribution applied to comparative fecundability studies.
       Biometrics 1986;42:547-560 (from memory).

    Examples
    --------
    Of eight, 1/2 succeed at session 1; of the four left, 1/4 at session 2: mu = 1/2, 1 + theta = (1/2) / (1/4).

    >>> m = BetaGeometric().fit(np.zeros((8, 0)), [1, 1, 1, 1, 2, 2, 2, 2], [1, 1, 1, 1, 1, 0, 0, 0])
    >>> round(m.alpha_, 6), round(m.beta_, 6), round(m.heterogeneity_, 6)
    (0.5, 0.5, 1.0)
    >>> m.predict_incidence(np.zeros((1, 0)), 2, done=1).round(4).tolist()
    [[[0.0, 0.25]]]
    """

    def __init__(self) -> None:
        """Make one without settings."""

    def fit(
        self, X: ArrayLike, sessions: ArrayLike, ending: ArrayLike, *, weights: ArrayLike | None = None
    ) -> Self:
        """Fit by maximum likelihood.

        Parameters
        ----------
        X : array_like or DataFrame of float, shape (cases, columns)
            Covariates, none missing; 0 columns are allowed.
        sessions : array_like of int, shape (cases,)
            Session of the success, or last session seen; from 1.
        ending : array_like of int, shape (cases,)
            0 still going (censored after that session), 1 success.
        weights : array_like of float, shape (cases,), optional
            Frequency weights, not negative: weight 2 is the case twice, weight 0 the case left out.

        Raises
        ------
        FitError
            If the input is not of that form, an ending is above 1, nobody succeeded, nobody was seen past
            session 1, every success came at session 1 (the heterogeneity then has no upper bound), columns are
            constant, collinear or separate the successes, or the fit did not converge.
        """
        columns = read_columns(X)
        s, e = check_courses(sessions, ending)
        if len(s) != len(columns.X):
            raise FitError(Fault("X", f"{len(columns.X)} rows", f"{len(s)}, one for each of sessions"))
        _check_one_end(e)
        w = read_weights(weights, len(s))
        if w is None:
            w = np.ones(len(s))
        else:  # a case of weight 0 is not there
            here = w > 0
            columns, s, e, w = columns.weighted(w), s[here], e[here], w[here]
        _check_learnable(s, e)
        _check_columns(columns)
        table = collapse(columns.standardised, s, e, w)
        geometric = fit_geometric(table)
        _check_solution(geometric, columns.names)  # what separates it separates the wider law too
        interior = fit_interior(table, geometric)
        if interior is not None:
            _check_solution(interior, columns.names)
        self._store(table, columns, geometric, interior)
        return self

    def predict_hazard(self, X: ArrayLike, horizon: int | None = None) -> FloatArray:
        r"""Hazard of success at each session among cases still going before it: :math:`\mu / (1 + \theta (k - 1))`.

        Parameters
        ----------
        X : array_like of float, shape (cases, columns)
            Covariates.
        horizon : int, optional
            Largest session; default the largest seen. Beyond it the law is carried on with an
            `ExtrapolationWarning`.

        Returns
        -------
        ndarray of float, shape (cases, 1, horizon)
            Averaged over the chances of the cases still going; falling over sessions.
        """
        return self._hazard(X, horizon)

    def predict_incidence(
        self, X: ArrayLike, horizon: int | None = None, *, done: ArrayLike = 0
    ) -> FloatArray:
        r"""Probability of success by each session, given the sessions done so far without it.

        After d sessions without success the chance follows the beta distribution of
        :math:`(\alpha, \beta + d)`.

        Parameters
        ----------
        X, horizon
            As for :meth:`predict_hazard`; sessions are counted from 1, those done included.
        done : int or array_like of int, shape (cases,), default 0
            Sessions done without success.

        Returns
        -------
        ndarray of float, shape (cases, 1, horizon)
            0 up to the sessions done; never falling.

        Raises
        ------
        FitError
            If `done` is not whole numbers from 0, one or one a case.
        """
        hazards = self._hazard(X, horizon)
        d = _read_done(done, len(hazards))
        to_come = np.arange(1, hazards.shape[2] + 1) > d[:, None]  # (cases, sessions)
        return hazard.cumulative_incidence(hazards * to_come[:, None])

    def heterogeneity_test(self) -> HeterogeneityTest:
        r"""Likelihood-ratio test of :math:`\theta = 0`.

        The hypothesis lies on the bound of :math:`\theta`, so the statistic is 0 in about half of all samples
        and chi-squared with 1 degree of freedom otherwise (Self and Liang 1987 [1]_).

        References
        ----------
        .. [1] Self SG, Liang KY. Asymptotic properties of maximum likelihood estimators and likelihood ratio
           tests under nonstandard conditions. J Am Stat Assoc 1987;82:605-610 (from memory).
        """
        self._check_fitted()
        statistic = max(2.0 * (self.log_likelihood_ - self.log_likelihood_geometric_), 0.0)
        # the chi-squared tail with 1 degree of freedom is erfc(sqrt(x / 2))
        p_value = 0.5 * math.erfc(math.sqrt(statistic / 2.0)) if statistic > 0 else 1.0
        return HeterogeneityTest(statistic, p_value, self.log_likelihood_, self.log_likelihood_geometric_)

    def _hazard(self, X: ArrayLike, horizon: int | None) -> FloatArray:
        self._check_fitted()
        columns = read_fitted_columns(X, self.feature_names_, labelled=self._labelled)
        horizon = read_horizon(horizon, self.max_session_)
        if horizon > self.max_session_:
            warnings.warn(
                f"sessions {self.max_session_ + 1} to {horizon} go beyond the largest session seen "
                f"({self.max_session_}); the beta-geometric law is carried on",
                ExtrapolationWarning,
                stacklevel=3,
            )
        mean = np.exp(-np.logaddexp(0.0, -(self.intercept_ + columns.X @ self.coef_)))
        return np.asarray((mean[:, None] / (1.0 + self.heterogeneity_ * np.arange(horizon)))[:, None])

    def _check_fitted(self) -> None:
        if not hasattr(self, "coef_"):
            raise FitError(Fault("BetaGeometric", "not fitted yet", fix="call fit first"))

    def _store(
        self, table: TrialTable, columns: Columns, geometric: Solution, interior: Solution | None
    ) -> None:
        best = geometric if interior is None else interior
        standardised = best.theta[1:] if interior is None else best.theta[2:]
        theta = 0.0 if interior is None else math.expm1(best.theta[1])
        self.coef_ = standardised / columns.scale
        self.intercept_ = float(best.theta[0] - self.coef_ @ columns.centre)
        self.heterogeneity_ = theta
        mean, rest = np.exp(-np.logaddexp(0.0, [-self.intercept_, self.intercept_]))
        self.alpha_ = float(mean / theta) if theta else math.inf
        self.beta_ = float(rest / theta) if theta else math.inf
        self.note_ = _GEOMETRIC if interior is None else ""
        self.covariance_ = _raw_covariance(best, columns, theta)
        self.log_likelihood_ = best.evaluation.value
        self.log_likelihood_geometric_ = geometric.evaluation.value
        self.max_session_ = table.at_risk.shape[1]
        self.n_steps_ = geometric.n_steps + (0 if interior is None else interior.n_steps)
        self.n_features_in_ = columns.X.shape[1]
        self.feature_names_ = columns.names
        self._labelled = columns.labelled


def _raw_covariance(solution: Solution, columns: Columns, theta: float) -> FloatArray:
    """Covariance of (logit of the mean at covariates 0, log theta, raw coefficients)."""
    n = 2 + len(columns.names)
    if not theta:
        return np.full((n, n), np.nan)
    to_raw = np.eye(n)
    to_raw[2:, 2:] = np.diag(1.0 / columns.scale)
    to_raw[0, 2:] = -columns.centre / columns.scale
    to_raw[1, 1] = (1.0 + theta) / theta  # d log theta / d log(1 + theta)
    return np.asarray(to_raw @ np.linalg.inv(solution.evaluation.information) @ to_raw.T)


def _check_one_end(ending: IntArray) -> None:
    bad = np.flatnonzero(ending > 1)
    if bad.size:
        shown = ", ".join(f"{i}: {ending[i]}" for i in bad[:3])
        what = f"{bad.size} of {ending.size} values are above 1 (row {shown})"
        allowed = "0 still going, 1 success: there is one end"
        raise FitError(Fault("ending", what, allowed, "censor the other ends, or use LogisticHazard"))


def _check_learnable(sessions: IntArray, ending: IntArray) -> None:
    lacking: Fault | None = None
    if not ending.any():
        lacking = Fault("ending", "no case has ended: nothing can be learned", "at least one case ended")
    elif sessions.max() == 1:
        lacking = Fault("sessions", "nobody was seen past session 1, where heterogeneity does not show")
    elif not ending[sessions > 1].any():
        lacking = Fault("ending", "every success came at session 1: the heterogeneity has no upper bound")
    if lacking is not None:
        raise FitError(replace(lacking, fix="wait for later ends, or use LogisticHazard"))


def _check_columns(columns: Columns) -> None:
    if columns.constant.any():
        where = _listed(columns.names, columns.constant)
        what = "constant: nothing can be learned of it, the mean chance already holds the level"
        raise FitError(Fault(where, what, fix="drop it"))
    try:
        check_collinear(columns)
    except FitError as error:  # there is no ridge penalty here
        raise FitError([replace(fault, fix="drop one") for fault in error.faults]) from None


def _check_solution(solution: Solution, names: tuple[str, ...]) -> None:
    """Refuse a fit that ran off or did not converge."""
    others = len(solution.theta) - len(names)  # parameters before the coefficients
    error = _errors(solution.evaluation.information)
    settled = solution.converged and bool(np.isfinite(error).all())
    away = error[others:] > _RUNAWAY_ERROR if settled else np.abs(solution.theta[others:]) > _FAR
    if away.any():
        what = "separation: success comes only, or never, at certain values, so no finite estimate exists"
        fix = "merge levels, drop the column, or use LogisticHazard with a penalty"
        raise FitError(Fault(_listed(names, away), what, fix=fix))
    if not settled:
        what = f"Newton's method stopped after {solution.n_steps} steps without converging"
        fix = "look for columns that separate the successes, or use LogisticHazard"
        raise FitError(Fault("fit", what, fix=fix))


def _errors(information: FloatArray) -> FloatArray:
    """Standard errors; infinite where the information cannot be inverted."""
    with np.errstate(invalid="ignore", divide="ignore"):
        size = np.sqrt(np.diag(information))
        scaled = information / np.outer(size, size)
    if not np.isfinite(scaled).all() or np.linalg.matrix_rank(scaled) < len(size):
        return np.full(len(size), np.inf)
    variance = np.diag(np.linalg.inv(scaled))
    return np.where(variance > 0, np.sqrt(np.abs(variance)) / size, np.inf)


def _listed(names: tuple[str, ...], chosen: NDArray[np.bool_]) -> str:
    return ", ".join(name for name, here in zip(names, chosen, strict=True) if here)


def _read_done(done: ArrayLike, n: int) -> IntArray:
    values = np.asarray(done)
    allowed = f"a whole number from 0, or {n} of them"
    if values.dtype.kind not in "iuf" or values.shape not in ((), (n,)):
        raise FitError(Fault("done", f"shape {values.shape} of {values.dtype}", allowed))
    bad = np.flatnonzero(~(np.isfinite(values) & (values >= 0) & (values == np.rint(values))))
    if bad.size:
        shown = ", ".join(f"{i}: {values.ravel()[i]:g}" for i in bad[:3])
        raise FitError(Fault("done", f"{bad.size} values are not allowed (row {shown})", allowed))
    return np.broadcast_to(values, (n,)).astype(np.int64)
