"""`LogisticHazard`: the multinomial discrete-time hazard on arrays, by scikit-learn's conventions."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from typing import Any, Literal, Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator

from retreat import hazard
from retreat.counts import check_courses
from retreat.errors import ExtrapolationWarning, Fault, FitError
from retreat.fitting.columns import Columns, check_collinear, check_separation, read_columns
from retreat.fitting.hazardfit import (
    Courses,
    HazardFit,
    Settings,
    clustered_covariance,
    fit_hazard,
    group_scores,
)
from retreat.fitting.layout import Layout, SessionEffect, no_penalty, step_precision
from retreat.fitting.newton import Penalty
from retreat.hazard import Link

FloatArray = NDArray[np.float64]

# Step of smooth session effects on the link scale when no definition gives one (our judgement, as in models/*.toml)
STEP_SD = 0.5


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
        Log odds (or log rate) ratios on the raw scale of X.
    session_effects_ : ndarray, shape (ends, max session)
        Effects on the link scale at covariates 0; minus infinity where an end is given hazard 0.
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
            Patients; gives `clustered_covariance_` (logit link).
        weights : array_like of float, shape (cases,), optional
            Frequency weights, not negative.

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
        w = _read_weights(weights, len(s))
        if self.penalty == 0 or self.penalty == "firth":
            check_collinear(columns)
        courses = Courses(columns.standardised(), s, e, max(int(e.max()), 1), w)
        fit = fit_hazard(courses, self._settings(columns.scale))
        if self.penalty == 0:
            check_separation(fit, columns.names)
        self._store(fit, columns)
        if groups is not None:
            self._store_clustered(fit, columns, courses, groups)
        return self

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
        if not hasattr(self, "coef_"):
            raise FitError(Fault("LogisticHazard", "not fitted yet", fix="call fit first"))
        columns = read_columns(X)
        if columns.X.shape[1] != self.coef_.shape[1]:
            raise FitError(Fault("X", f"{columns.X.shape[1]} columns", f"{self.coef_.shape[1]} as fitted"))
        last = self.session_effects_.shape[1]
        horizon = last if horizon is None else horizon
        if isinstance(horizon, bool) or int(horizon) != horizon or horizon < 1:
            raise FitError(Fault("horizon", f"{horizon!r}", "a whole number of sessions from 1"))
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
        allowed: dict[str, tuple[Any, ...]] = {
            "session_effect": ("free", "smooth", "linear"),
            "link": ("logit", "cloglog"),
        }
        faults = [
            Fault(name, f"{getattr(self, name)!r}", ", ".join(values))
            for name, values in allowed.items()
            if getattr(self, name) not in values
        ]
        number = isinstance(self.penalty, int | float) and not isinstance(self.penalty, bool)
        if self.penalty != "firth" and not (number and 0 <= float(self.penalty) < np.inf):
            faults.append(Fault("penalty", f"{self.penalty!r}", "a number from 0, or 'firth'"))
        if faults:
            raise FitError(faults)

    def _settings(self, scale: FloatArray) -> Settings:
        firth = self.penalty == "firth"
        return Settings(
            session_effect=self.session_effect,
            link=self.link,
            likelihood="firth" if firth else "plain",
            pool_below=self.pool_below,
            unseen="estimated" if firth else "impossible",
            penalty=_penalty(0.0 if firth else float(self.penalty), self.session_effect, scale),
        )

    def _store(self, fit: HazardFit, columns: Columns) -> None:
        coefficients, effects = fit.layout.split(fit.theta)
        self.coef_ = coefficients / columns.scale
        self.session_effects_ = effects - (self.coef_ @ columns.centre)[:, None]
        self.covariance_ = _raw_covariance(fit.layout, fit.covariance(), columns)
        self.log_likelihood_ = fit.log_likelihood
        self.n_steps_ = fit.solution.n_steps
        self.n_features_in_ = columns.X.shape[1]
        self.feature_names_ = columns.names

    def _store_clustered(self, fit: HazardFit, columns: Columns, courses: Courses, groups: ArrayLike) -> None:
        if self.link != "logit":
            raise FitError(
                Fault("groups", "clustered covariance is for the logit link", fix="leave groups out")
            )
        codes = np.unique(np.asarray(groups), return_inverse=True)[1]
        if codes.shape != courses.sessions.shape:
            raise FitError(Fault("groups", f"shape {codes.shape}", f"{courses.sessions.shape}"))
        scores = group_scores(fit, courses, codes.astype(np.int64))
        self.clustered_covariance_ = _raw_covariance(fit.layout, clustered_covariance(fit, scores), columns)


def _penalty(strength: float, effect: SessionEffect, scale: FloatArray) -> Callable[[Layout], Penalty]:
    def build(layout: Layout) -> Penalty:
        penalty = no_penalty(layout)
        precision = penalty.precision.copy()
        own = np.arange(layout.n_coefficients)
        precision[own, own] += strength / np.tile(scale, layout.n_ends) ** 2
        if effect == "smooth":
            precision += step_precision(layout, STEP_SD)
        return Penalty(penalty.mean, precision)

    return build


def _raw_covariance(layout: Layout, covariance: FloatArray, columns: Columns) -> FloatArray:
    """Covariance of raw coefficients and session effects from that of the standardised free parameters."""
    K, p, S = layout.n_ends, layout.n_columns, layout.n_sessions
    to_raw = np.eye(K * (p + S))
    for end in range(K):
        own = slice(end * p, (end + 1) * p)
        to_raw[own, own] = np.diag(1.0 / columns.scale)
        to_raw[K * p + end * S : K * p + (end + 1) * S, own] = -(columns.centre / columns.scale)
    path = to_raw @ layout.matrix
    full = path @ covariance @ path.T
    unknown = np.zeros(K * (p + S), dtype=bool)
    unknown[K * p :] = ~layout.matrix[K * p :].any(axis=1)
    full[unknown] = np.nan
    full[:, unknown] = np.nan
    return np.asarray(full)


def _read_weights(weights: ArrayLike | None, n: int) -> FloatArray | None:
    if weights is None:
        return None
    w = np.asarray(weights, dtype=float)
    if w.shape != (n,) or not np.isfinite(w).all() or (w < 0).any() or not w.any():
        raise FitError(Fault("weights", "not a vector of weights", f"{n} finite numbers from 0, not all 0"))
    return w
