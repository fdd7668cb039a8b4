"""Likelihood of courses along chosen directions away from a model: value, gradient, information, scores by patient."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.counts import person_sessions
from retreat.fitting.newton import Evaluation, Objective
from retreat.hazard import Link, hazards_and_going_on

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Point:
    """A model's parameters at one value: coefficients (ends, columns) and session effects (ends, sessions)."""

    coefficients: FloatArray
    session_effects: FloatArray

    @property
    def n_ends(self) -> int:
        """How many ends."""
        return int(self.coefficients.shape[0])

    @property
    def n_columns(self) -> int:
        """How many coded columns."""
        return int(self.coefficients.shape[1])

    @property
    def n_sessions(self) -> int:
        """How many sessions have an effect of their own."""
        return int(self.session_effects.shape[1])


@dataclass(frozen=True)
class Rows:
    """One row a case and session at risk.

    Parameters
    ----------
    X : ndarray of float, shape (cases, columns)
        Coded cases.
    case, session, ended : ndarray of int, shape (rows,)
        Case, position of the session's effect, and how the case ended there (0 not).
    offset : ndarray of float, shape (rows, ends)
        Linear predictors of the model.
    patient : ndarray of int, shape (cases,)
        Patients, numbered from 0 without holes.
    link : {"logit", "cloglog"}
        Link of the hazards.
    """

    X: FloatArray
    case: IntArray
    session: IntArray
    ended: IntArray
    offset: FloatArray
    patient: IntArray
    link: Link

    def along(self, directions: FloatArray) -> FloatArray:
        """Change of the predictors along each direction (ends, columns + sessions, m), shape (rows, ends, m)."""
        p = self.X.shape[1]
        by_case = np.einsum("np,jpm->njm", self.X, directions[:, :p], optimize=True)
        return np.asarray(by_case[self.case] + directions[:, p:].transpose(1, 0, 2)[self.session])

    def residuals(self, eta: FloatArray) -> FloatArray:
        """Derivative of each row's log likelihood by its predictors, shape (rows, ends)."""
        return _residuals(eta, self.ended, self.link)


def rows_of(
    X: FloatArray, sessions: IntArray, ending: IntArray, patient: IntArray, point: Point, link: Link
) -> Rows:
    """Rows of these courses beside a model's predictors; sessions past the model's last one take its effect."""
    case, session, ended = person_sessions(sessions, ending)
    place = np.minimum(session, point.n_sessions) - 1
    offset = (X @ point.coefficients.T)[case] + point.session_effects.T[place]
    return Rows(X, case, place, ended, offset, patient, link)


def objective(rows: Rows, directions: FloatArray) -> Objective:
    """Log likelihood of the rows as a function of how far to go along each direction.

    Parameters
    ----------
    rows : Rows
        Courses.
    directions : ndarray of float, shape (ends, columns + sessions, m)
        Directions in the model's parameters.

    Returns
    -------
    callable
        From steps of shape (m,) to value, gradient and information (the expected one for cloglog).
    """
    change = rows.along(directions)  # (rows, ends, m)
    row = np.arange(len(rows.ended))
    # a direction that does not touch an end adds nothing there
    touched = [np.flatnonzero(change[:, j].any(axis=0)) for j in range(change.shape[1])]
    parts = [np.ascontiguousarray(change[:, j][:, own]) for j, own in enumerate(touched)]

    def evaluate(steps: FloatArray) -> Evaluation:
        eta = rows.offset + change @ steps
        hazards, going_on = hazards_and_going_on(eta[..., None], rows.link)
        h = hazards[..., 0]
        chance = np.where(rows.ended > 0, h[row, np.maximum(rows.ended, 1) - 1], going_on[:, 0])
        with np.errstate(divide="ignore"):
            value = float(np.log(chance).sum())
        if rows.link == "logit":  # the hazards serve all three
            residual, weight = _seen(rows.ended, h.shape[1]) - h, _spread(h)
        else:
            residual, weight = _residuals(eta, rows.ended, rows.link), weights(eta, rows.link)
        gradient = np.einsum("njm,nj->m", change, residual, optimize=True)
        return Evaluation(value, gradient, _information(parts, touched, weight, len(steps)))

    return evaluate


def scores_by_patient(rows: Rows, directions: FloatArray, steps: FloatArray) -> FloatArray:
    """Score of the steps summed within each patient, shape (patients, m)."""
    change = rows.along(directions)
    residual = rows.residuals(rows.offset + change @ steps)
    out = np.zeros((int(rows.patient.max()) + 1, change.shape[2]))
    np.add.at(out, rows.patient[rows.case], np.einsum("njm,nj->nm", change, residual))
    return out


def cross_information(rows: Rows, directions: FloatArray, steps: FloatArray) -> FloatArray:
    """How the score of the steps falls as the model's own parameters rise, shape (m, ends, columns + sessions)."""
    change = rows.along(directions)
    weight = weights(rows.offset + change @ steps, rows.link)
    by_end = np.einsum("njm,njl->nlm", change, weight, optimize=True)  # (rows, ends, m)
    columns = np.einsum("nlm,np->mlp", by_end, rows.X[rows.case], optimize=True)
    n_sessions = directions.shape[1] - rows.X.shape[1]
    sessions = np.zeros((n_sessions, *by_end.shape[1:]))
    np.add.at(sessions, rows.session, by_end)
    return np.concatenate([columns, sessions.transpose(2, 1, 0)], axis=2)


def weights(eta: FloatArray, link: Link) -> FloatArray:
    """Information of each row about its predictors, shape (rows, ends, ends)."""
    if link == "logit":
        return _spread(hazards_and_going_on(eta[..., None], link)[0][..., 0])
    eye = np.eye(eta.shape[1])
    rate, total, share, staying = _rates(eta)
    a = _of_ended(total)
    product = rate[:, :, None] * rate[:, None, :]
    both = share[:, :, None] * rate[:, None, :] * a[:, None, None]
    ended = share[:, :, None] * eye + 2.0 * both + product * (a * a)[:, None, None]
    return np.asarray(staying[:, None, None] * product + (1.0 - staying)[:, None, None] * ended)


def _residuals(eta: FloatArray, ended: IntArray, link: Link) -> FloatArray:
    seen = _seen(ended, eta.shape[1])
    if link == "logit":
        return np.asarray(seen - hazards_and_going_on(eta[..., None], link)[0][..., 0])
    rate, total, _, _ = _rates(eta)
    slope = np.where(ended > 0, _of_ended(total), -1.0)
    return np.asarray(seen + rate * slope[:, None])


def _rates(eta: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Rates by end, their sum, each end's share of it, and the chance of going on."""
    rate = np.exp(np.minimum(eta, 30.0))  # a rate of e^30 ends every case
    total = np.maximum(rate.sum(axis=1), 1e-300)
    return rate, total, rate / total[:, None], np.exp(-total)


def _of_ended(total: FloatArray) -> FloatArray:
    """Derivative of log((1 - exp(-t)) / t) by t; a series where both terms nearly cancel."""
    with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
        exact = 1.0 / np.expm1(total) - 1.0 / total
    return np.where(total < 1e-4, -0.5 + total / 12.0, exact)


def _seen(ended: IntArray, n_ends: int) -> FloatArray:
    """Whether each row ended in each way, shape (rows, ends)."""
    return np.asarray(ended[:, None] == np.arange(1, n_ends + 1), dtype=float)


def _spread(h: FloatArray) -> FloatArray:
    """Covariance of the ends of each row under the logit link, shape (rows, ends, ends)."""
    return np.asarray(h[:, :, None] * np.eye(h.shape[1]) - h[:, :, None] * h[:, None, :])


def _information(
    parts: list[FloatArray], touched: list[NDArray[np.intp]], weight: FloatArray, m: int
) -> FloatArray:
    """Information about the steps, shape (m, m), from each end's changes along the directions that touch it."""
    out = np.zeros((m, m))
    for j, left in enumerate(parts):
        for l in range(j, len(parts)):
            product = (left * weight[:, j, l, None]).T @ parts[l]
            out[np.ix_(touched[j], touched[l])] += product
            if l > j:
                out[np.ix_(touched[l], touched[j])] += product.T
    return out
