"""Refits of an estimator on arrays; a logistic hazard is refitted in batches."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from retreat import hazard
from retreat.fitting.hazardfit import Courses
from retreat.fitting.logistic import LogisticHazard
from retreat.fitting.replicates import CHUNK, ReplicateFitter, carried_on
from retreat.hazard import Link
from retreat.validation.schemes.resampling import copies

# linear predictors beyond this overflow when exponentiated in parts
_LARGE = 200.0

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class EstimatorRefits:
    """Refits of any estimator with ``fit(X, sessions, ending)`` and ``predict_incidence(X, horizon)``.

    Parameters
    ----------
    estimator : object
        Copied for each refit, never fitted itself.
    X : array_like, shape (cases, columns)
        Covariates.
    sessions, ending : ndarray of int, shape (cases,)
        Courses.
    n_ends, horizon : int
        Size of the predictions.
    """

    estimator: Any
    X: Any
    sessions: IntArray
    ending: IntArray
    n_ends: int
    horizon: int

    def predict(self, weights: FloatArray) -> tuple[FloatArray, dict[int, str]]:
        """See :class:`~retreat.validation.schemes.resampling.Refits`."""
        out = np.full((len(weights), len(self.sessions), self.n_ends, self.horizon), np.nan)
        failures: dict[int, str] = {}
        for r, weight in enumerate(weights):
            try:
                out[r] = self._one(weight)
            except Exception as error:  # an estimator of somebody else's may fail in any way; it is counted
                failures[r] = str(error).splitlines()[0] if str(error) else type(error).__name__
        return out, failures

    def _one(self, weight: FloatArray) -> FloatArray:
        import warnings

        from sklearn.base import clone  # heavy: only refits of estimators pay for it

        rows = copies(weight)[0]
        chosen = self.X.iloc[rows] if hasattr(self.X, "iloc") else np.asarray(self.X)[rows]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a session that no case of a sample reached is carried on
            fitted = clone(self.estimator).fit(chosen, self.sessions[rows], self.ending[rows])
            found = np.asarray(fitted.predict_incidence(self.X, self.horizon), dtype=float)
        out = np.zeros((len(self.sessions), self.n_ends, self.horizon))
        out[:, : found.shape[1]] = found  # an end that the sample lacks has no chance
        return out


@dataclass(frozen=True)
class LogisticRefits:
    """Refits of :class:`~retreat.fitting.LogisticHazard` by batched Newton steps."""

    chunk: ClassVar[int] = CHUNK
    estimator: LogisticHazard
    X: Any
    sessions: IntArray
    ending: IntArray
    n_ends: int
    horizon: int

    def predict(self, weights: FloatArray) -> tuple[FloatArray, dict[int, str]]:
        """See :class:`~retreat.validation.schemes.resampling.Refits`."""
        courses, fitter = self._work
        found = fitter.fit(weights)
        effects = carried_on(found.session_effects, self.horizon)
        predictor = found.coefficients @ courses.X.T
        out = incidences(predictor, effects, self.estimator.link)
        out[list(found.failures)] = np.nan
        return out, found.failures

    @cached_property
    def _work(self) -> tuple[Courses, ReplicateFitter]:
        columns, settings = self.estimator.prepared(self.X)
        courses = Courses(columns.standardised, self.sessions, self.ending, self.n_ends, None, columns.names)
        return courses, ReplicateFitter(courses, settings, refuse_separation=self.estimator.penalty == 0)


def incidences(predictor: FloatArray, effects: FloatArray, link: Link) -> FloatArray:
    """Incidences (samples, cases, ends, horizon) of linear predictors (samples, ends, cases) and session effects."""
    if link == "cloglog" or not np.abs(predictor).max(initial=0.0) < _LARGE:
        eta = (
            np.nan_to_num(predictor).transpose(0, 2, 1)[..., None]
            + np.nan_to_num(effects, neginf=-np.inf)[:, None]
        )
        return hazard.cumulative_incidence(hazard.hazards(eta, link))
    R, K, n = predictor.shape
    H = effects.shape[-1]
    out = np.empty((R, K, H, n))  # cases last: every step runs along memory
    odds_of_case = np.exp(predictor)
    odds_of_session = np.exp(np.clip(effects, None, _LARGE))
    going = np.ones((R, n))
    for h in range(H):
        odds = [odds_of_case[:, k] * odds_of_session[:, k, h, None] for k in range(K)]
        total = odds[0] + 1.0
        for more in odds[1:]:
            total += more
        going /= total  # the chance of going on, which times the odds is the chance of ending now
        for k in range(K):
            odds[k] *= going
            np.add(odds[k], out[:, k, h - 1] if h else 0.0, out=out[:, k, h])
    return out.transpose(0, 3, 1, 2)
