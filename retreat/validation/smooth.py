"""Smooth curve of the observed against the predicted: a logistic regression on a spline of the logit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from retreat.coding import spline_basis
from retreat.validation import _logistic
from retreat.validation._checked import FloatArray
from retreat.validation._spread import normal_quantile, quantile
from retreat.validation.agreement_record import Curve
from retreat.validation.recalibration import RARER_PER_COEFFICIENT, Sample

# Harrell 2015, Regression Modeling Strategies, 2nd ed., table 2.3. Placed here and not by coding.spline_knots
# because a row of weight 2 must place knots as two rows do.
_KNOT_QUANTILES = {5: (0.05, 0.275, 0.5, 0.725, 0.95), 4: (0.05, 0.35, 0.65, 0.95), 3: (0.1, 0.5, 0.9)}
_N_GRID = 101


@dataclass(frozen=True)
class Smoother:
    """A fitted curve: its name, its knots on the logit scale (may be none), coefficients and covariance."""

    name: str
    knots: tuple[float, ...]
    coefficients: FloatArray
    covariance: FloatArray

    def predict(self, lp: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Linear predictor and its standard error at these logits, each of the shape of `lp`."""
        X = _design(lp, self.knots)[:, : len(self.coefficients)]
        variance = np.einsum("ij,jk,ik->i", X, self.covariance, X)
        return X @ self.coefficients, np.sqrt(np.clip(variance, 0.0, None))


def smooth(sample: Sample) -> Smoother | None:
    """Curve with the most knots the data bear, or None if they do not even bear a straight line.

    Five knots ask for 40 cases of the rarer outcome, four for 30, three for 20, a line on the logit scale
    for 10; with fewer, or where knots coincide or a fit has no finite solution, the next simpler curve is
    taken. Equal predictions for all give the mean outcome.
    """
    if sample.obstacle():
        return None
    lp = sample.lp
    if sample.is_constant:
        return _fitted("mean outcome", (), sample, np.ones((len(lp), 1)))
    if sample.rarer < RARER_PER_COEFFICIENT:
        return None
    for n_knots, probabilities in _KNOT_QUANTILES.items():
        knots = quantile(lp, sample.weights, probabilities)
        if sample.rarer >= RARER_PER_COEFFICIENT * (n_knots - 1) and np.all(np.diff(knots) > 0):
            name = f"logistic regression on a restricted cubic spline of the logit, {n_knots} knots"
            found = _fitted(name, tuple(knots.tolist()), sample, _design(lp, knots))
            if found is not None:
                return found
    return _fitted("logistic regression on the logit", (), sample, _design(lp, ()))


def distances(smoother: Smoother, sample: Sample) -> tuple[float, float, float, float]:
    """Mean, median, 90th percentile and maximum of the distance between prediction and curve.

    The integrated calibration index and its companions of Austin and Steyerberg 2019 (from memory).
    """
    used = sample.weights > 0
    away = np.abs(_logistic.expit(smoother.predict(sample.lp[used])[0]) - sample.p[used])
    e50, e90 = quantile(away, sample.weights[used], [0.5, 0.9])
    return float(np.average(away, weights=sample.weights[used])), float(e50), float(e90), float(away.max())


def curve(smoother: Smoother, sample: Sample, level: float) -> Curve:
    """The curve on a grid over the predictions, with pointwise intervals made on the logit scale."""
    used = sample.p[sample.weights > 0]
    grid = np.unique(np.linspace(used.min(), used.max(), _N_GRID))
    eta, error = smoother.predict(_logistic.logit(grid))
    reach = normal_quantile(level) * error
    return Curve(grid, *(_logistic.expit(line) for line in (eta, eta - reach, eta + reach)))


def _fitted(name: str, knots: tuple[float, ...], sample: Sample, X: FloatArray) -> Smoother | None:
    found = _logistic.fit(X, sample.y, sample.weights)
    if found is None:
        return None
    return Smoother(name, knots, found.coefficients, sample.covariance(found, X))


def _design(lp: FloatArray, knots: FloatArray | tuple[float, ...]) -> FloatArray:
    columns = spline_basis(lp, tuple(knots)) if len(knots) else lp[:, None]
    return np.column_stack([np.ones(len(lp)), columns])
