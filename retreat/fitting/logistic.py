"""`LogisticHazard`: the multinomial discrete-time hazard on arrays, by scikit-learn's conventions."""

from __future__ import annotations

import warnings
from typing import Literal, Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator

from retreat import hazard
from retreat.counts import check_courses
from retreat.errors import ExtrapolationWarning, Fault, FitError
from retreat.fitting.arguments import (
    choice_fault,
    is_number,
    is_whole,
    read_groups,
    read_horizon,
    read_weights,
)
from retreat.fitting.clustered import clustered_covariance, group_scores
from retreat.fitting.columns import (
    Columns,
    check_collinear,
    check_going_on,
    read_columns,
    read_fitted_columns,
)
from retreat.fitting.hazardfit import (
    Courses,
    HazardFit,
    Settings,
    check_separation,
    fit_hazard,
)
from retreat.fitting.layout import SessionEffect
from retreat.fitting.raw_scale import raw_covariance, raw_ridge
from retreat.hazard import Link

FloatArray = NDArray[np.float64]


class LogisticHazard(BaseEstimator):  # type: ignore[misc]  # scikit-learn carries no types
    r"""Multinomial discrete-time hazard model of how many sessions a course takes and how it ends.

    For a case in treatment before session k, :math:`P(\text{ends } j) = e^{\eta_{jk}} / (1 + \sum_l
    e^{\eta_{lk}})`, :math:`\eta_{jk} = a_j(k) + x'b_j` (Tutz and Schmid 2016 [1]_); with one end this is
    logistic regression on person-session rows (Cox 1972; Singer and Willett 2003 [2]_), which are never
    built. Censoring is taken as independent of the course given the covariates.

    Parameters
    ----------
    penalty : float or "firth", default 0.0
        0 is maximum likelihood; a number lambda subtracts lambda / 2 times the sum of squared coefficients
        on the raw scale of X, session effects left free; ``"firth"`` is Firth's bias-reducing penalty.
    session_effect : {"free", "smooth", "linear"}, default "free"
        One effect a session; the same held together by a random walk of step 0.5; intercept and slope.
        Free effects give an end never seen at a session the hazard 0 there, its maximum likelihood
        estimate; without columns they reproduce the life table exactly.
    link : {"logit", "cloglog"}, default "logit"
        ``cloglog`` groups proportional rates into sessions.
    pool_below : int, default 0
        Sessions reached by fewer cases share the effect of the last one reached by enough.

    Attributes
    ----------
    coef_ : ndarray, shape (ends, columns)
        Log odds (or log rate) ratios on the raw scale of X; 0 for an end that no case had.
    session_effects_ : ndarray, shape (ends, max session)
        Effects on the link scale at covariates 0; minus infinity where an end is given hazard 0, about 40
        where every case at risk ended (free effects).
    covariance_ : ndarray, shape (ends * (columns + sessions),) * 2
        Inverse information of ``coef_.ravel()`` then ``session_effects_.ravel()``; NaN where an effect
        was not estimated.
    clustered_covariance_ : ndarray of the same shape
        Sandwich with `groups` as units; only when groups were given.
    log_likelihood_ : float
        Log likelihood without the penalty.
    n_steps_ : int
        Newton steps taken.

    References
    ----------
    .. [1] Tutz G, Schmid M. Modeling Discrete Time-to-Event Data. Springer, 2016 (from memory).
    .. [2] Singer JD, Willett JB. Applied Longitudinal Data Analysis. Oxford, 2003 (from memory).

    Examples
    --------
    >>> h = LogisticHazard().fit(np.zeros((4, 0)), [1, 1, 2, 2], [1, 0, 1, 0])
    >>> h.predict_incidence(np.zeros((1, 0)), 2).round(4).tolist()
    [[[0.25, 0.625]]]
    """

    def __init__(
        self,
        *,
        penalty: float | Literal["firth"] = 0.0,
        session_effect: SessionEffect = "free",
        link: Link = "logit",
        pool_below: int = 0,
    ) -> None:
        self.penalty = penalty
        self.session_effect = session_effect
        self.link = link
        self.pool_below = pool_below

    def fit(
        self,
        X: ArrayLike,
        sessions: ArrayLike,
        ending: ArrayLike,
        *,
        groups: ArrayLike | None = None,
        weights: ArrayLike | None = None,
    ) -> Self:
        """Fit the model.

        Parameters
        ----------
        X : array_like or DataFrame of float, shape (cases, columns)
            Covariates, none missing; 0 columns are allowed.
        sessions : array_like of int, shape (cases,)
            Session of the end, or last session seen; from 1.
        ending : array_like of int, shape (cases,)
            0 still in treatment (censored after that session), 1..K the way of ending.
        groups : array_like, shape (cases,), optional
            Patients, at least two; gives `clustered_covariance_`.
        weights : array_like of float, shape (cases,), optional
            Frequency weights, not negative: weight 2 is the case twice, weight 0 the case left out.

        Raises
        ------
        FitError
            If the input is not of that form, nobody ended, columns are constant, collinear or separate the
            ends under plain maximum likelihood (the columns are named), or the fit did not converge.
        """
        self._check_settings()
        columns = read_columns(X)
        s, e = check_courses(sessions, ending)
        if len(s) != len(columns.X):
            raise FitError(Fault("X", f"{len(columns.X)} rows", f"{len(s)}, one for each of sessions"))
        w = read_weights(weights, len(s))
        patients = read_groups(groups, len(s))
        n_ends = max(int(e.max()), 1)
        if w is not None:  # a case of weight 0 is not there
            here = w > 0
            columns, s, e, w = columns.weighted(w), s[here], e[here], w[here]
            patients = None if patients is None else patients[here]
        courses = Courses(columns.standardised, s, e, n_ends, w, columns.names)
        if self.penalty == 0:
            check_going_on(courses.sessions, courses.ending, columns.names)
        if self.penalty in (0, "firth"):
            check_collinear(columns)
        fit = fit_hazard(courses, self._settings(columns.scale))
        if self.penalty == 0:
            check_separation(fit, columns.names)
        self._store(fit, columns, courses, patients)
        return self

    def prepared(self, X: ArrayLike) -> tuple[Columns, Settings]:
        """Columns and settings of a fit to these covariates, for many fits of one table at once."""
        self._check_settings()
        columns = read_columns(X)
        return columns, self._settings(columns.scale)

    def predict_hazard(self, X: ArrayLike, horizon: int | None = None) -> FloatArray:
        """Hazard of each end at each session, given that the case is in treatment before it.

        Parameters
        ----------
        X : array_like of float, shape (cases, columns)
            Covariates.
        horizon : int, optional
            Largest session; default the largest seen. Beyond it the last effect is carried on with an
            `ExtrapolationWarning`.

        Returns
        -------
        ndarray of float, shape (cases, ends, horizon)
        """
        self._check_fitted()
        columns = read_fitted_columns(X, self.feature_names_, labelled=self._labelled)
        last = self.session_effects_.shape[1]
        horizon = read_horizon(horizon, last)
        if horizon > last:
            warnings.warn(
                f"sessions {last + 1} to {horizon} go beyond the largest session seen ({last}); "
                "the last session's effect is carried on",
                ExtrapolationWarning,
                stacklevel=2,
            )
        effects = self.session_effects_[:, np.minimum(np.arange(horizon), last - 1)]
        return hazard.hazards((columns.X @ self.coef_.T)[..., None] + effects, self.link)

    def predict_incidence(self, X: ArrayLike, horizon: int | None = None) -> FloatArray:
        """Cumulative incidence of each end by each session, shape (cases, ends, horizon).

        Parameters and errors as for :meth:`predict_hazard`.
        """
        return hazard.cumulative_incidence(self.predict_hazard(X, horizon))

    def summary(self, level: float = 0.95) -> pd.DataFrame:
        """Table of the coefficients: end, column, estimate, standard error, z, p-value, interval, ratio.

        Parameters
        ----------
        level : float in (0, 1)
            Coverage of the Wald interval.

        Returns
        -------
        DataFrame
            Also clustered standard errors when groups were given.
        """
        from scipy.stats import norm  # heavy: only for the table

        self._check_fitted()
        if not is_number(level) or not 0 < level < 1:
            raise FitError(Fault("level", f"{level!r}", "a number between 0 and 1"))
        size = self.coef_.size
        K, p = self.coef_.shape
        estimate = self.coef_.ravel()
        error = np.sqrt(np.diag(self.covariance_)[:size])
        z = float(norm.ppf(0.5 + level / 2))
        frame = pd.DataFrame(
            {
                "end": np.repeat(np.arange(1, K + 1), p),
                "column": list(self.feature_names_) * K,
                "estimate": estimate,
                "standard_error": error,
                "z": estimate / error,
                "p_value": 2 * norm.sf(np.abs(estimate / error)),
                "low": estimate - z * error,
                "high": estimate + z * error,
                "ratio": np.exp(estimate),
            }
        )
        if hasattr(self, "clustered_covariance_"):
            frame["clustered_standard_error"] = np.sqrt(np.diag(self.clustered_covariance_)[:size])
        return frame

    def _check_settings(self) -> None:
        found = [
            choice_fault("session_effect", self.session_effect, ("free", "smooth", "linear")),
            choice_fault("link", self.link, ("logit", "cloglog")),
        ]
        faults = [fault for fault in found if fault is not None]
        if not is_number(self.penalty) and choice_fault("penalty", self.penalty, ("firth",)):
            faults.append(Fault("penalty", f"{self.penalty!r}", "a number from 0, or 'firth'"))
        if not is_whole(self.pool_below) or self.pool_below < 0:
            faults.append(Fault("pool_below", f"{self.pool_below!r}", "a whole number from 0"))
        if faults:
            raise FitError(faults)

    def _check_fitted(self) -> None:
        if not hasattr(self, "coef_"):
            raise FitError(Fault("LogisticHazard", "not fitted yet", fix="call fit first"))

    def _settings(self, scale: FloatArray) -> Settings:
        firth = self.penalty == "firth"
        return Settings(
            session_effect=self.session_effect,
            link=self.link,
            likelihood="firth" if firth else "plain",
            pool_below=self.pool_below,
            unseen="estimated" if firth else "impossible",
            penalty=raw_ridge(0.0 if firth else float(self.penalty), self.session_effect, scale),
        )

    def _store(
        self, fit: HazardFit, columns: Columns, courses: Courses, patients: NDArray[np.int64] | None
    ) -> None:
        coefficients, effects = fit.layout.split(fit.theta)
        self.coef_ = coefficients / columns.scale
        self.session_effects_ = effects - (self.coef_ @ columns.centre)[:, None]
        self.covariance_ = raw_covariance(fit.layout, fit.covariance(), columns)
        self.log_likelihood_ = fit.log_likelihood
        self.n_steps_ = fit.solution.n_steps
        self.n_features_in_ = columns.X.shape[1]
        self.feature_names_ = columns.names
        self._labelled = columns.labelled
        if patients is not None:
            spread = clustered_covariance(fit, group_scores(fit, courses, patients, self.link))
            self.clustered_covariance_ = raw_covariance(fit.layout, spread, columns)
        elif hasattr(self, "clustered_covariance_"):
            del self.clustered_covariance_  # of an earlier fit with groups
