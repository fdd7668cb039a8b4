"""One study fitted by the package's own logistic route, and what it would tell: slopes, a typical eye, an effect."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from retreat.errors import FitError
from retreat.fitting.design import Design
from retreat.fitting.logistic_model import LogisticFit, fit_logistic
from retreat.hazard import Link, hazards_and_going_on
from retreat.study.size.closed import Z
from retreat.study.size.courses import Drawn
from retreat.study.size.scenario import Scenario

FloatArray = NDArray[np.float64]
FitPenalty = Literal["prior", "firth"] | float

_STEP = 1e-4
_NEWTON_STEPS = 30
# logits of predictions beyond this are as good as certain
_CERTAIN = 30.0
# two-sided 5%
_SIGNIFICANT = 1.959964


@dataclass(frozen=True)
class Told:
    """What one study told; NaN throughout where it could not be fitted.

    Parameters
    ----------
    slope : ndarray of float, shape (ends,)
        Calibration slope of its predictions by the horizon among all eyes like these.
    logit, error : float
        Log odds of the first end by the horizon, of the typical eye, and its standard error.
    significant : float
        1 where the effect was found at the two-sided 5% level and on its side, else 0; NaN without one.
    """

    slope: FloatArray
    logit: float
    error: float
    significant: float


def failed(n_ends: int, *, with_effect: bool) -> Told:
    """What a study tells that could not be fitted: nothing, and its effect was not found."""
    return Told(np.full(n_ends, np.nan), np.nan, np.nan, 0.0 if with_effect else np.nan)


def told_by(
    scenario: Scenario,
    drawn: Drawn,
    *,
    penalty: FitPenalty,
    horizon: int,
    population: FloatArray,
    true_incidence: FloatArray,
) -> Told:
    """Fit a study and hold it against the truth.

    Parameters
    ----------
    scenario : Scenario
        What is fitted.
    drawn : Drawn
        The study.
    penalty : {"prior", "firth"} or float
        As for :func:`retreat.fitting.logistic_model.fit_logistic`.
    horizon : int
        By which session.
    population : ndarray of float, shape (eyes, columns)
        All eyes like these.
    true_incidence : ndarray of float, shape (eyes, ends)
        Their true chance of each end by the horizon.
    """
    try:
        # Firth's penalty looks at singular steps on its way, which numpy tells of
        with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
            fit = fit_logistic(_design(scenario, drawn), penalty=penalty, covariance="clustered")
    except FitError:
        return failed(len(scenario.ends), with_effect=scenario.effect is not None)
    theta = fit.hazard_fit.theta
    predicted = incidence(fit, theta[None], population, horizon, scenario.definition.link)[0]
    slopes = np.array(
        [calibration_slope(predicted[:, j], true_incidence[:, j]) for j in range(len(scenario.ends))]
    )
    logit, error = _typical(scenario, fit, horizon)
    significant = np.nan
    if scenario.effect is not None:
        place = scenario.place
        z = fit.coefficients[place] / fit.standard_errors[place]
        # an effect of none has no side: either is an error of the first kind
        side = np.sign(np.log(scenario.effect.odds_ratio)) or np.sign(z)
        significant = float(side * z > _SIGNIFICANT)
    return Told(slopes, logit, error, significant)


def incidence(fit: LogisticFit, thetas: FloatArray, X: FloatArray, horizon: int, link: Link) -> FloatArray:
    """Chance of each end by the horizon under free parameters (sets, free), shape (sets, eyes, ends)."""
    layout = fit.hazard_fit.layout
    pieces = [layout.split(theta) for theta in thetas]
    last = np.minimum(np.arange(horizon), layout.n_sessions - 1)
    case = np.stack([X @ b.T for b, _ in pieces])  # (sets, eyes, ends)
    sessions = np.stack([a[:, last] for _, a in pieces])  # (sets, ends, horizon)
    hazards, going_on = hazards_and_going_on(case[..., None] + sessions[:, None], link)
    staying = np.cumprod(going_on, axis=-1)
    before = np.concatenate([np.ones_like(staying[..., :1]), staying[..., :-1]], axis=-1)
    return np.asarray((hazards * before[:, :, None, :]).sum(axis=-1))


def calibration_slope(predicted: FloatArray, true: FloatArray) -> float:
    """Slope of true log odds over predicted ones, by logistic regression of true chances: no outcome is drawn.

    Parameters
    ----------
    predicted, true : ndarray of float, shape (eyes,)
        Chances.

    Returns
    -------
    float
        NaN where predictions do not differ or the regression does not converge.

    Examples
    --------
    >>> p = np.array([0.2, 0.5, 0.7])
    >>> round(calibration_slope(p, p), 6)
    1.0
    """
    with np.errstate(divide="ignore"):
        x = np.clip(np.log(predicted) - np.log1p(-predicted), -_CERTAIN, _CERTAIN)
    x = x - x.mean()
    if not np.isfinite(x).all() or np.ptp(x) < 1e-8:
        return np.nan
    design = np.column_stack([np.ones_like(x), x])
    level = true.mean()
    theta = np.array([np.log(level / (1.0 - level)) if 0 < level < 1 else 0.0, 1.0])
    for _ in range(_NEWTON_STEPS):
        chance = 1.0 / (1.0 + np.exp(-np.clip(design @ theta, -700, 700)))
        information = design.T @ (design * (chance * (1.0 - chance))[:, None])
        if np.linalg.cond(information) > 1e12:
            return np.nan
        step = np.linalg.solve(information, design.T @ (true - chance))
        theta = theta + np.clip(step, -2.0, 2.0)
        if np.abs(step).max() < 1e-8:
            return float(theta[1])
    return np.nan


def interval_width(logit: FloatArray, error: FloatArray, z: float = Z) -> FloatArray:
    """Width of the interval of a chance from its log odds and their standard error."""
    low, high = (1.0 / (1.0 + np.exp(-(logit + side * z * error))) for side in (-1.0, 1.0))
    return np.asarray(high - low)


def _typical(scenario: Scenario, fit: LogisticFit, horizon: int) -> tuple[float, float]:
    """Log odds of the first end for the typical eye, with the standard error of the delta method."""
    theta = fit.hazard_fit.theta
    moved = np.concatenate(
        [theta[None], theta + _STEP * np.eye(len(theta)), theta - _STEP * np.eye(len(theta))]
    )
    chance = incidence(fit, moved, scenario.typical_columns(), horizon, scenario.definition.link)[:, 0, 0]
    with np.errstate(divide="ignore"):
        logits = np.log(chance) - np.log1p(-chance)
    if not np.isfinite(logits).all():
        return np.nan, np.nan
    up, down = np.split(logits[1:], 2)
    slope = (up - down) / (2.0 * _STEP)
    return float(logits[0]), float(np.sqrt(max(slope @ fit.covariance @ slope, 0.0)))


def _design(scenario: Scenario, drawn: Drawn) -> Design:
    nobody = np.zeros(len(drawn.X), dtype=np.int64)
    return Design(
        definition=scenario.definition,
        coding=scenario.coding,
        X=drawn.X,
        sessions=drawn.sessions,
        ending=drawn.ending,
        patient=drawn.patient,
        operator=nobody,
        stratum=nobody,
        strata=(),
        features={},
        n_left_out=0,
        notes=(),
        years=(),
        invented=True,
        fingerprint="",
    )
