"""Sandwich covariance of a hazard fit with groups of cases, such as the eyes of a patient, as units."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from retreat.fitting import cloglog
from retreat.fitting.hazardfit import Courses, HazardFit
from retreat.hazard import Link, hazards

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def group_scores(fit: HazardFit, courses: Courses, groups: IntArray, link: Link = "logit") -> FloatArray:
    """Score of the free parameters summed within each group, shape (groups, free).

    Parameters
    ----------
    fit : HazardFit
        A fit of these courses.
    courses : Courses
        The fitted courses.
    groups : ndarray of int, shape (cases,)
        Group of each case, numbered from 0 without holes.
    link : {"logit", "cloglog"}
        Link of the fit.
    """
    layout = fit.layout
    coefficients, effects = layout.split(fit.theta)
    K, p, S = layout.n_ends, layout.n_columns, layout.n_sessions
    out = np.zeros((int(groups.max()) + 1, K * (p + S)))
    for start in range(0, len(courses.X), 4096):
        rows = slice(start, start + 4096)
        X = courses.X[rows]
        eta = (X @ coefficients.T)[..., None] + effects  # (cases, ends, sessions)
        scores = cloglog.course_scores if link == "cloglog" else _logit_scores
        residual = scores(eta, courses.sessions[rows], courses.ending[rows])
        if courses.weights is not None:
            residual = residual * courses.weights[rows][:, None, None]
        by_column = residual.sum(axis=2)[:, :, None] * X[:, None, :]  # (cases, ends, columns)
        score = np.concatenate([by_column.reshape(len(X), -1), residual.reshape(len(X), -1)], axis=1)
        np.add.at(out, groups[rows], score)
    return np.asarray(out @ layout.matrix)


def _logit_scores(eta: FloatArray, sessions: IntArray, ending: IntArray) -> FloatArray:
    """Seen minus expected at the sessions each case reached, shape (cases, ends, sessions)."""
    session = np.arange(1, eta.shape[2] + 1)
    at_risk = session <= sessions[:, None]
    ends = np.arange(1, eta.shape[1] + 1)[:, None]
    seen = (session == sessions[:, None])[:, None, :] & (ending[:, None, None] == ends)
    return np.asarray(seen - hazards(eta) * at_risk[:, None, :])


def clustered_covariance(fit: HazardFit, scores: FloatArray, *, spent: float = 1.0) -> FloatArray:
    """Sandwich covariance with groups as the independent units (Liang and Zeger 1986), shape (free, free).

    A penalty counts as data of its own: its precision stands in the middle beside the summed squares of
    the groups' scores. What only the prior knows keeps the prior's spread instead of losing it. The
    groups' part is scaled by G / (G - `spent`). Under Firth's penalty no variance is smaller than the one of
    independent cases: that penalty is for ends seen rarely or never, whose scores hardly vary, and a
    sandwich of them would claim to know what was not seen.

    Parameters
    ----------
    fit : HazardFit
        The fit.
    scores : ndarray of float, shape (groups, free)
        From :func:`group_scores`.
    spent : float, at least 1
        Parameters that the fit spent on the groups; 1 is the common choice for many groups, and with few the
        sandwich is then too small (Mancl and DeRouen 2001, from memory).
    """
    n_groups = len(scores)
    bread = fit.covariance()
    centred = scores - scores.mean(axis=0)
    meat = centred.T @ centred * (n_groups / max(n_groups - spent, 1.0))
    sandwich = np.asarray(bread @ (meat + fit.penalty.precision) @ bread)
    return _at_least(sandwich, np.diag(bread)) if fit.likelihood == "firth" else sandwich


def _at_least(covariance: FloatArray, variances: FloatArray) -> FloatArray:
    """The same correlations with each variance raised to a floor; one of 0 stays, it has no correlations."""
    own = np.diag(covariance)
    ratio = np.divide(variances, own, out=np.ones_like(own), where=own > 0)
    raised = np.sqrt(np.maximum(ratio, 1.0))
    return np.asarray(covariance * np.outer(raised, raised))
