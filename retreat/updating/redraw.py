"""Draws of the updated model: the uncertainty of the model it came from and that of the update."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from retreat.errors import Fault, FitError
from retreat.fitting.newton import Curvature, Penalty, Solution, maximise, solve
from retreat.model.kernel import Parameters
from retreat.updating.ladder import RungFit
from retreat.updating.likelihood import (
    FloatArray,
    Rows,
    cross_information,
    objective,
    scores_by_patient,
)
from retreat.updating.rungs import STEPS, Ladder
from retreat.updating.spread import deviations, point_of, root

# What a model's own information may be divided by before it serves as the prior of a re-estimation; never less than a
# hundredth of it is left, so that a level the practice lacks does not lose its estimate.
DISCOUNTS = (1.0, 3.0, 10.0, 30.0, 100.0)
# precision of what is left free beside that prior (a standard deviation of 10)
_FREE = 0.01


@dataclass(frozen=True)
class Redrawn:
    """Draws of an updated model.

    Parameters
    ----------
    parameters : Parameters
        The draws.
    steps, standard_errors : ndarray of float, shape (m,)
        How far along each direction of the rung, with clustered standard errors.
    discount : float
        What the model's information was multiplied by for a re-estimation (the mean on the log scale); 1 elsewhere.
    """

    parameters: Parameters
    steps: FloatArray
    standard_errors: FloatArray
    discount: float = 1.0


def recalibrated(parameters: Parameters, rows: Rows, fit: RungFit, *, seed: int) -> Redrawn:
    """Draws moved along the directions of a rung.

    Each draw of the model is recalibrated by itself, to first order (the shift that fits the practice's cases is
    another for another draw), and gets its own draw from the normal approximation around that, with patients as the
    independent units (the sandwich of Liang and Zeger 1986, from memory). The practice's cases do not narrow the
    model's own draws.
    """
    away = deviations(parameters)  # (draws, ends, columns + sessions)
    steps, noise_cov = fit.steps, _clustered(rows, fit.directions, fit.solution, fit.penalty)
    pull = _pull(rows, fit.directions, fit.solution, fit.penalty, away)
    drawn = steps + pull + _noise(noise_cov, len(away), [seed])
    moved = away + np.einsum("jqm,dm->djq", fit.directions, drawn)
    return Redrawn(_parameters(parameters, moved), steps, np.sqrt(np.diag(noise_cov)))


def re_estimated(parameters: Parameters, rows: Rows, ladder: Ladder, fit: RungFit, *, seed: int) -> Redrawn:
    """Draws of a re-estimation shrunk to the model, its level and slope left free.

    The prior of the re-estimated ends is normal with the mean and covariance of the model's draws, its information
    multiplied by a discount (a power prior in normal form: Ibrahim and Chen 2000, from memory). Discounts
    1 / :data:`DISCOUNTS` are averaged over by their marginal likelihoods in Laplace's approximation, equal before
    the cases are seen. Shifts and slopes, as of the rung below, have next to no prior. Under each discount draws are
    normal around the mode with the sandwich covariance by patient, in which the prior counts as data of its own.
    Ends that do not support re-estimation are recalibrated as they support.
    """
    free = ladder.rung_of("re_estimation") == STEPS.index("re_estimation")  # (ends,)
    below = ladder.directions("intercepts_slope")
    away = deviations(parameters)
    own = root(np.where(free[:, None], away, 0.0))
    directions = np.concatenate([own, below], axis=-1)
    n_own = own.shape[-1]
    evaluate = objective(rows, directions)
    found: list[tuple[float, float, Solution, Penalty]] = []  # worth, what the prior is weakened by, the fit
    start = np.zeros(directions.shape[-1])
    curvature: Curvature = "exact" if rows.link == "logit" else "expected"
    for weaker in DISCOUNTS:
        precision = np.full(len(start), _FREE)
        precision[:n_own] = 1.0 / weaker
        penalty = Penalty(np.zeros(len(start)), np.diag(precision))
        solution = maximise(evaluate, start, penalty, curvature=curvature)
        if not solution.converged:
            continue
        start = solution.theta
        found.append((_marginal(solution, penalty), weaker, solution, penalty))
    if not found:
        what = "Newton's method did not converge on re_estimation"
        raise FitError(Fault("step", what, fix="use step='intercepts_slope', or collect more cases"))
    worth = np.array([one[0] for one in found])
    share = np.exp(worth - worth.max())
    share /= share.sum()
    kept = np.where(free[:, None], 0.0, away)
    # whole numbers of draws for each discount, spread over the draws at random: they come in no order
    rng = np.random.default_rng([seed, 1])
    points = (np.arange(len(away)) + rng.random()) / len(away)
    chosen = rng.permutation(np.minimum(np.searchsorted(np.cumsum(share), points), len(share) - 1))
    drawn = np.empty((len(away), len(start)))
    for place, (_, _, solution, penalty) in enumerate(found):
        here = chosen == place
        if here.any():
            pull = _pull(rows, directions, solution, penalty, kept[here])
            covariance = _clustered(rows, directions, solution, penalty)
            # noise of its own for each discount: one seed would give all of them the same
            drawn[here] = solution.theta + pull + _noise(covariance, int(here.sum()), [seed, 2, place])
    moved = kept + np.einsum("jqm,dm->djq", directions, drawn)
    error = np.sqrt(np.diag(_clustered(rows, fit.directions, fit.solution, fit.penalty)))
    discount = float(np.exp(-share @ np.log([one[1] for one in found])))
    return Redrawn(_parameters(parameters, moved), fit.steps, error, discount)


def _parameters(parameters: Parameters, moved: FloatArray) -> Parameters:
    point = point_of(parameters)
    p = point.n_columns
    return replace(
        parameters,
        coefficients=point.coefficients + moved[..., :p],
        session_effects=(point.session_effects + moved[..., p:])[:, None],
    )


def _bread(solution: Solution, penalty: Penalty) -> FloatArray:
    matrix = solution.evaluation.information + penalty.precision
    eye = np.eye(len(matrix))
    return np.stack([solve(matrix, column) for column in eye], axis=1) if len(matrix) else matrix


def _clustered(rows: Rows, directions: FloatArray, solution: Solution, penalty: Penalty) -> FloatArray:
    """Sandwich covariance of the steps with patients as units, the penalty as data of its own, shape (m, m)."""
    bread = _bread(solution, penalty)
    scores = scores_by_patient(rows, directions, solution.theta)
    scores = scores - scores.mean(axis=0)
    n = len(scores)
    spent = max(1.0, len(bread) - float(np.einsum("ij,ji->", bread, penalty.precision)))
    meat = scores.T @ scores * (n / max(n - spent, 1.0))
    return np.asarray(bread @ (meat + penalty.precision) @ bread)


def _pull(
    rows: Rows, directions: FloatArray, solution: Solution, penalty: Penalty, away: FloatArray
) -> FloatArray:
    """How the steps answer to each draw's deviation, to first order, shape (draws, m)."""
    cross = cross_information(rows, directions, solution.theta)  # (m, ends, columns + sessions)
    answer = -_bread(solution, penalty) @ cross.reshape(len(cross), -1)
    return np.asarray(away.reshape(len(away), -1) @ answer.T)


def _noise(covariance: FloatArray, draws: int, seed: list[int]) -> FloatArray:
    """Normal draws, shape (draws, m)."""
    rng = np.random.default_rng(seed)
    return rng.multivariate_normal(np.zeros(len(covariance)), covariance, size=draws, method="eigh")


def _marginal(solution: Solution, penalty: Penalty) -> float:
    """Log marginal likelihood in Laplace's approximation, up to a constant of the free directions."""
    _, of_posterior = np.linalg.slogdet(solution.evaluation.information + penalty.precision)
    of_prior = float(np.log(np.diag(penalty.precision)).sum())
    value = solution.evaluation.value - penalty.value(solution.theta)
    return float(value + 0.5 * of_prior - 0.5 * of_posterior)
