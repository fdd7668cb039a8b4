"""One fit of the discrete-time hazard on arrays: layout, penalty, Newton, covariance; used by every logistic route."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from retreat.counts import RiskSets, risk_sets
from retreat.errors import Fault, FitError
from retreat.fitting import cloglog
from retreat.fitting.firth import firth_likelihood
from retreat.fitting.layout import Layout, SessionEffect, Unseen, first_guess, lay_out
from retreat.fitting.newton import Objective, Penalty, Solution, logit_likelihood, maximise
from retreat.hazard import Link

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Likelihood = Literal["plain", "firth"]

# above this many cases Newton starts from the estimate on a sample
_SAMPLE_FROM = 50_000
_SAMPLE = 10_000
# Standard error from which a coefficient is running away: with columns of about unit spread, an odds ratio of
# e^100 cannot be told from infinity
_RUNAWAY_ERROR = 50.0
# and the estimate from which it is, where Newton's method found no end
_FAR = 10.0


@dataclass(frozen=True)
class Courses:
    """Coded courses: X (cases, columns), sessions and ending (cases,), weights (cases,) or None, column names."""

    X: FloatArray
    sessions: IntArray
    ending: IntArray
    n_ends: int
    weights: FloatArray | None = None
    names: tuple[str, ...] = ()

    def rows(self, chosen: NDArray[np.bool_] | slice) -> Courses:
        """The chosen courses."""
        weights = None if self.weights is None else self.weights[chosen]
        return replace(
            self,
            X=self.X[chosen],
            sessions=self.sessions[chosen],
            ending=self.ending[chosen],
            weights=weights,
        )


@dataclass(frozen=True)
class Settings:
    """How to fit: session effects, link, likelihood, and the penalty once the layout is known."""

    session_effect: SessionEffect
    link: Link
    likelihood: Likelihood
    pool_below: float
    unseen: Unseen
    penalty: Callable[[Layout], Penalty]


@dataclass(frozen=True)
class HazardFit:
    """Result of a fit over the free parameters of its layout."""

    layout: Layout
    solution: Solution
    penalty: Penalty
    log_likelihood: float
    likelihood: Likelihood = "plain"

    @property
    def theta(self) -> FloatArray:
        """Free parameters, shape (free,)."""
        return self.solution.theta

    def covariance(self) -> FloatArray:
        """Inverse of the penalised information, shape (free, free); 0 where nothing can be learned."""
        inverse = _inverse(self.solution.evaluation.information + self.penalty.precision)
        unlearned = self.layout.unlearned
        return np.where(unlearned[:, None] | unlearned, 0.0, inverse)

    def coefficient_errors(self) -> FloatArray:
        """Standard errors of the coefficients, shape (ends, columns); 0 where nothing can be learned."""
        layout = self.layout
        information = self.solution.evaluation.information + self.penalty.precision
        values, vectors = np.linalg.eigh(information)
        with np.errstate(over="ignore"):  # infinite where the data say nothing
            variance = np.square(vectors) @ (1.0 / np.clip(values, 1e-300, None))
        error = np.sqrt(np.where(layout.unlearned, 0.0, variance))[: layout.n_coefficients]
        return error.reshape(layout.n_ends, layout.n_columns)

    def runaway(self) -> NDArray[np.bool_]:
        """Columns with a coefficient that runs off to infinity, shape (columns,)."""
        return (self.coefficient_errors() > _RUNAWAY_ERROR).any(axis=0)


def fit_hazard(courses: Courses, settings: Settings) -> HazardFit:
    """Fit by Newton's method.

    Raises
    ------
    FitError
        If no case ended, or Newton's method did not converge.
    """
    if not np.any(courses.ending > 0):
        raise FitError(
            Fault(
                "ending",
                "no case has ended: nothing can be learned",
                "at least one case ended",
                "wait for ends",
            )
        )
    if settings.likelihood == "firth" and settings.link != "logit":
        raise FitError(Fault("penalty", "Firth's penalty is for the logit link", fix="use a ridge penalty"))
    sets = risk_sets(
        courses.X, courses.sessions, courses.ending, n_ends=courses.n_ends, weights=courses.weights
    )
    layout = lay_out(sets, settings.session_effect, pool_below=settings.pool_below, unseen=settings.unseen)
    penalty = holding_unlearned(settings.penalty(layout), layout)
    objective = _objective(courses, sets, layout, settings)
    exact = settings.link == "logit" and settings.likelihood == "plain"
    solution = maximise(
        objective,
        _start(courses, sets, layout, settings),
        penalty,
        curvature="exact" if exact else "expected",
    )
    if not solution.converged:
        raise FitError(_not_converged(HazardFit(layout, solution, penalty, np.nan), courses.names))
    coefficients, effects = layout.split(solution.theta)
    value = solution.evaluation.value
    if settings.likelihood == "firth":
        value = logit_likelihood(sets, coefficients, effects).value
    return HazardFit(layout, solution, penalty, value, settings.likelihood)


def check_separation(fit: HazardFit, names: tuple[str, ...]) -> None:
    """Refuse a maximum likelihood fit whose coefficients run off to infinity.

    Raises
    ------
    FitError
        Naming the columns that tell an end from the rest without error.
    """
    away = fit.runaway()
    if away.any():
        raise FitError(_separation(away, names))


def _not_converged(fit: HazardFit, names: tuple[str, ...]) -> Fault:
    finite = np.isfinite(fit.solution.evaluation.information).all()
    held = (np.diag(fit.penalty.precision) * ~fit.layout.unlearned)[: fit.layout.n_coefficients].any()
    if names and finite and not held:
        coefficients = fit.layout.split(fit.theta)[0]
        away = fit.runaway() | (np.abs(coefficients) > _FAR).any(axis=0)
        if away.any():
            return _separation(away, names)
    return Fault(
        "fit",
        f"Newton's method stopped after {fit.solution.n_steps} steps without converging",
        fix="look for columns that separate the ends, or use penalty='firth' or a ridge penalty",
    )


def _separation(away: NDArray[np.bool_], names: tuple[str, ...]) -> Fault:
    return Fault(
        ", ".join(name for name, gone in zip(names, away, strict=True) if gone),
        "separation: some end happens only, or never, at certain values, so no finite estimate exists",
        fix="use penalty='firth' or a ridge penalty, merge levels, or drop the column",
    )


def log_likelihood(courses: Courses, coefficients: FloatArray, effects: FloatArray, link: Link) -> float:
    """Log likelihood of courses at given parameters; minus infinity where they had no chance.

    Parameters
    ----------
    courses : Courses
        Courses, not necessarily the fitted ones.
    coefficients : ndarray of float, shape (ends, columns)
        Effects of the columns.
    effects : ndarray of float, shape (ends, sessions)
        Effects of the sessions, at least as many as the longest course.
    link : {"logit", "cloglog"}
        Link of the hazards.
    """
    sets = risk_sets(
        courses.X, courses.sessions, courses.ending, n_ends=courses.n_ends, weights=courses.weights
    )
    if np.isneginf(effects[:, : sets.max_session][sets.events > 0]).any():
        return -np.inf
    if link == "logit":
        return logit_likelihood(sets, coefficients, effects).value
    ordered = cloglog.order_courses(courses.X, courses.sessions, courses.ending, courses.weights)
    return cloglog.cloglog_likelihood(ordered, coefficients, effects).value


def holding_unlearned(penalty: Penalty, layout: Layout) -> Penalty:
    """The same penalty, with coefficients of ends never seen held at 0: the likelihood is flat in them."""
    free = layout.unlearned & (np.diag(penalty.precision) == 0)
    return Penalty(penalty.mean, penalty.precision + np.diag(free.astype(float)))


def _objective(courses: Courses, sets: RiskSets, layout: Layout, settings: Settings) -> Objective:
    if settings.link == "cloglog":
        ordered = cloglog.order_courses(courses.X, courses.sessions, courses.ending, courses.weights)
        return lambda theta: layout.free(cloglog.cloglog_likelihood(ordered, *layout.split(theta)))
    if settings.likelihood == "firth":
        return lambda theta: firth_likelihood(sets, layout, theta)
    return lambda theta: layout.free(logit_likelihood(sets, *layout.split(theta)))


def _start(courses: Courses, sets: RiskSets, layout: Layout, settings: Settings) -> FloatArray:
    start = first_guess(sets, layout)
    if len(courses.X) < _SAMPLE_FROM or settings.link != "logit":
        return start
    sample = courses.rows(slice(None, None, len(courses.X) // _SAMPLE))
    try:
        rough = fit_hazard(sample, settings)
    except FitError:
        return start
    # session effects are guessed from all cases, coefficients from the sample; the latter move the former
    start[: layout.n_coefficients] = rough.theta[: layout.n_coefficients]
    if rough.layout.matrix.shape == layout.matrix.shape:
        return rough.theta
    return start


def _inverse(matrix: FloatArray) -> FloatArray:
    scale = np.sqrt(np.clip(np.diag(matrix), 1e-300, None))
    try:
        half = np.linalg.inv(np.linalg.cholesky(matrix / np.outer(scale, scale)))
        return np.asarray(half.T @ half / np.outer(scale, scale))
    except np.linalg.LinAlgError:
        raise FitError(
            Fault(
                "fit",
                "the information is singular: columns and session effects cannot be told apart",
                fix="drop a column or use penalty='firth' or a ridge penalty",
            )
        ) from None
