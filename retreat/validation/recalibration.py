"""Logistic recalibration: what regression of the outcome on the logit of the prediction says of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from retreat.validation import _logistic
from retreat.validation._checked import FloatArray, IntArray

Errors = Literal["information", "sandwich"]

# common practice: ten cases of the rarer outcome for each coefficient beyond the intercept
RARER_PER_COEFFICIENT = 10


@dataclass(frozen=True)
class Sample:
    """Predictions, outcomes (0, 1 or pseudo-values), weights, each (n,), and how standard errors are made."""

    p: FloatArray
    y: FloatArray
    weights: FloatArray
    errors: Errors
    groups: IntArray | None = None

    @property
    def lp(self) -> FloatArray:
        """Logit of the predictions, infinite at 0 and 1."""
        return _logistic.logit(self.p)

    @property
    def observed(self) -> float:
        """Mean outcome."""
        return float(np.average(self.y, weights=self.weights))

    @property
    def rarer(self) -> float:
        """How many cases the rarer outcome stands for."""
        return float(self.weights.sum() * min(self.observed, 1.0 - self.observed))

    @property
    def is_constant(self) -> bool:
        """Whether all predictions are equal."""
        used = self.p[self.weights > 0]
        return bool(used.max() == used.min())

    def obstacle(self) -> str:
        """Why no regression on the logit can be had; empty if it can."""
        used = self.weights > 0
        certain = np.count_nonzero((self.p[used] == 0) | (self.p[used] == 1))
        if not np.all(np.isfinite(self.y[used])):
            return "no case still in treatment was followed to this session"
        if not 0.0 < self.observed < 1.0 or np.ptp(self.y[used]) == 0:
            return "all outcomes are equal"
        return f"{certain} predictions are exactly 0 or 1, whose logit is infinite" if certain else ""

    def covariance(
        self, fitted: _logistic.LogisticFit, X: FloatArray, offset: FloatArray | float = 0.0
    ) -> FloatArray:
        """Of the coefficients of a fit to this sample."""
        if self.errors == "information":
            return fitted.covariance
        return _logistic.sandwich(fitted, X, self.y, self.weights, self.groups, offset)


@dataclass(frozen=True)
class Recalibration:
    """Estimates and standard errors (see :class:`~retreat.validation.Calibration`) and why some are NaN."""

    in_the_large: tuple[float, float] = (np.nan, np.nan)
    intercept: tuple[float, float] = (np.nan, np.nan)
    slope: tuple[float, float] = (np.nan, np.nan)
    unreliability: float = np.nan
    reason: str = ""


def recalibrate(sample: Sample) -> Recalibration:
    """Calibration-in-the-large, intercept and slope (Cox 1958; Van Calster and others 2019; from memory)."""
    reason = sample.obstacle()
    if reason:
        return Recalibration(reason=reason)
    lp = sample.lp
    ones = np.ones((len(lp), 1))
    shift = _logistic.fit(ones, sample.y, sample.weights, lp)
    if shift is None:
        return Recalibration(reason="the regression on the logit did not converge")
    error = float(np.sqrt(sample.covariance(shift, ones, lp)[0, 0]))
    in_the_large = (float(shift.coefficients[0]), error)
    if sample.is_constant:
        return Recalibration(in_the_large, reason="all predictions are equal, so there is no slope")
    if sample.rarer < RARER_PER_COEFFICIENT:
        return Recalibration(
            in_the_large,
            reason=f"about {sample.rarer:.0f} of the rarer outcome: a slope needs {RARER_PER_COEFFICIENT}",
        )
    X = np.column_stack([ones, lp])
    line = _logistic.fit(X, sample.y, sample.weights)
    if line is None:
        return Recalibration(in_the_large, reason="the predictions separate the outcomes: no finite slope")
    covariance = sample.covariance(line, X)
    a, b = (float(value) for value in line.coefficients)
    a_error, b_error = (float(value) for value in np.sqrt(np.diag(covariance)))
    return Recalibration(
        in_the_large, (a, a_error), (b, b_error), _unreliability(sample, lp, line, covariance)
    )


def _unreliability(
    sample: Sample, lp: FloatArray, line: _logistic.LogisticFit, covariance: FloatArray
) -> float:
    """Chi-squared with 2 degrees of freedom: likelihood ratio, or Wald where there is no likelihood."""
    if sample.errors == "information":
        as_predicted = _logistic.log_likelihood(lp, sample.y, sample.weights)
        return max(0.0, 2.0 * (line.log_likelihood - as_predicted))
    if not np.all(np.isfinite(covariance)) or np.linalg.matrix_rank(covariance) < 2:
        return float("nan")
    departure = line.coefficients - [0.0, 1.0]
    return float(departure @ np.linalg.solve(covariance, departure))
