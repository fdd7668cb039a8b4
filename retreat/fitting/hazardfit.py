"""One fit of the discrete-time hazard on arrays: layout, penalty, Newton, covariance; used by every logistic route."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from retreat.counts import RiskSets, risk_sets
from retreat.errors import Fault, FitError
from retreat.fitting import cloglog
from retreat.fitting.firth import firth_likelihood
from retreat.fitting.layout import CERTAIN, Layout, SessionEffect, Unseen, first_guess, lay_out
from retreat.fitting.newton import Objective, Penalty, Solution, logit_likelihood, maximise
from retreat.hazard import Link

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Likelihood = Literal["plain", "firth"]

# above this many cases Newton starts from the estimate on a sample
_SAMPLE_FROM = 50_000
_SAMPLE = 10_000


@dataclass(frozen=True)
class Courses:
    """Coded courses: X (cases, columns), sessions and ending (cases,), weights (cases,) or None."""

    X: FloatArray
    sessions: IntArray
    ending: IntArray
    n_ends: int
    weights: FloatArray | None = None

    def sample(self, every: int) -> Courses:
        """Every so-manieth course."""
        rows = slice(None, None, every)
        weights = None if self.weights is None else self.weights[rows]
        return Courses(self.X[rows], self.sessions[rows], self.ending[rows], self.n_ends, weights)


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

    @property
    def theta(self) -> FloatArray:
        """Free parameters, shape (free,)."""
        return self.solution.theta

    def covariance(self) -> FloatArray:
        """Inverse of the penalised information, shape (free, free)."""
        return _inverse(self.solution.evaluation.information + self.penalty.precision)


def fit_hazard(courses: Courses, settings: Settings) -> HazardFit:
    """Fit by Newton's method.

    Raises
    ------
    FitError
        If no case ended, or Newton's method did not converge.
    """
    if not (courses.ending > 0).any():
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
    certain = CERTAIN if settings.link == "logit" else cloglog.CERTAIN
    layout = lay_out(
        sets,
        settings.session_effect,
        pool_below=settings.pool_below,
        unseen=settings.unseen,
        certain_effect=certain,
    )
    penalty = settings.penalty(layout)
    objective = _objective(courses, sets, layout, settings)
    solution = maximise(objective, _start(courses, sets, layout, settings), penalty)
    if not solution.converged:
        raise FitError(
            Fault(
                "fit",
                f"Newton's method stopped after {solution.n_steps} steps without converging",
                fix="look for columns that separate the ends, or use penalty='firth' or a ridge penalty",
            )
        )
    coefficients, effects = layout.split(solution.theta)
    value = solution.evaluation.value
    if settings.likelihood == "firth":
        value = logit_likelihood(sets, coefficients, effects).value
    return HazardFit(layout, solution, penalty, value)


def group_scores(fit: HazardFit, courses: Courses, groups: IntArray) -> FloatArray:
    """Score of the free parameters summed within each group, shape (groups, free), for the logit link.

    Parameters
    ----------
    fit : HazardFit
        A logit fit of these courses.
    courses : Courses
        The fitted courses.
    groups : ndarray of int, shape (cases,)
        Group of each case, numbered from 0 without holes.
    """
    from retreat.hazard import hazards

    layout = fit.layout
    coefficients, effects = layout.split(fit.theta)
    K, p, S = layout.n_ends, layout.n_columns, layout.n_sessions
    out = np.zeros((int(groups.max()) + 1, K * (p + S)))
    session = np.arange(1, S + 1)
    for start in range(0, len(courses.X), 4096):
        rows = slice(start, start + 4096)
        X, last = courses.X[rows], courses.sessions[rows]
        h = hazards((X @ coefficients.T)[..., None] + effects)  # (cases, ends, sessions)
        at_risk = session <= last[:, None]
        seen = (session == last[:, None])[:, None, :] & (
            courses.ending[rows][:, None, None] == np.arange(1, K + 1)[:, None]
        )
        residual = seen - h * at_risk[:, None, :]
        if courses.weights is not None:
            residual = residual * courses.weights[rows][:, None, None]
        by_column = residual.sum(axis=2)[:, :, None] * X[:, None, :]  # (cases, ends, columns)
        score = np.concatenate([by_column.reshape(len(X), -1), residual.reshape(len(X), -1)], axis=1)
        np.add.at(out, groups[rows], score)
    return np.asarray(out @ layout.matrix)


def clustered_covariance(fit: HazardFit, scores: FloatArray) -> FloatArray:
    """Sandwich covariance with groups as the independent units (Liang and Zeger 1986), shape (free, free).

    A penalty counts as data of its own: its precision stands in the middle beside the summed squares of
    the groups' scores. What only the prior knows keeps the prior's spread instead of losing it. The
    groups' part is scaled by G / (G - 1).

    Parameters
    ----------
    fit : HazardFit
        The fit.
    scores : ndarray of float, shape (groups, free)
        From :func:`group_scores`.
    """
    n_groups = len(scores)
    bread = fit.covariance()
    centred = scores - scores.mean(axis=0)
    meat = centred.T @ centred * (n_groups / max(n_groups - 1, 1))
    return np.asarray(bread @ (meat + fit.penalty.precision) @ bread)


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
    sample = courses.sample(len(courses.X) // _SAMPLE)
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
        return np.asarray(np.linalg.inv(matrix / np.outer(scale, scale)) / np.outer(scale, scale))
    except np.linalg.LinAlgError:
        raise FitError(
            Fault(
                "fit",
                "the information is singular: the columns cannot be told apart",
                fix="drop one or add a penalty",
            )
        ) from None
