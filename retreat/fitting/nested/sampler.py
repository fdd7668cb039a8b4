"""Draws of the posterior by importance sampling: normals nested in the spreads, tails heavier than the normal's."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import lgamma, log, pi

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.nested.likelihood import Draws, log_likelihood
from retreat.fitting.nested.proposal import Mesh, Problem, Quadratics, Top, quadratics, top

FloatArray = NDArray[np.float64]

# degrees of freedom of the t proposals
_TAILS = 8.0
_SPREAD_TAILS = 5.0
# draws of the spreads a round, and rounds after the first, which is from the prior
_SPREAD_DRAWS = 512
_ROUNDS = 4
# the first rounds only look for the place: weights are evened out until so many draws count
_LEAST_COUNTING = 60.0
# distinct spreads among the final draws: their share in the spread of a forecast is small
_DISTINCT = 500
_BLOCK = 128
_NO_WEIGHT = 600.0


@dataclass(frozen=True)
class Weighted:
    """Draws with the log of target over proposal, up to a constant.

    Parameters
    ----------
    point : ndarray, shape (draws, parameters)
        Coefficients end by end, then session effects end by end.
    line : ndarray, shape (draws, spreads)
        Spreads.
    log_weight, log_prior : ndarray, shape (draws,)
        Log weights; log prior density, up to a constant.
    """

    point: FloatArray
    line: FloatArray
    log_weight: FloatArray
    log_prior: FloatArray


def sample(problem: Problem, *, draws: int, rng: np.random.Generator, mesh: Mesh) -> Weighted:
    """Weighted draws of the posterior.

    The log likelihood is expanded to a quadratic at nodes of the patient factor (Laplace); under a quadratic the
    coefficients given the spreads are normal and the spreads have a closed density, which is drawn from by adaptive
    importance sampling (Cornuet and others 2012, from memory). Coefficients are then drawn from a t distribution
    around that normal, and weighted by the exact posterior: the quadratics only say where to look (Rue, Martino and
    Chopin 2009 for the nesting, from memory).

    Parameters
    ----------
    problem : Problem
        Model and data.
    draws : int
        How many.
    rng : Generator
        Source of everything random.
    mesh : Mesh
        Nodes of the quadratics.

    Raises
    ------
    FloatingPointError
        If no top of the posterior is found.
    """
    found = top(problem)
    search = _Search(problem, found, mesh, rng)
    search.start()
    for _ in range(_ROUNDS):
        search.refine()
    return _weighted(problem, search, draws, rng)


class _Search:
    """Where the spreads are, found in rounds."""

    def __init__(self, problem: Problem, found: Top, mesh: Mesh, rng: np.random.Generator) -> None:
        self.problem, self.top, self.rng = problem, found, rng
        self.spreads = problem.prior.spreads
        self.quadratics: Quadratics = quadratics(problem, found, mesh)
        self.line = np.empty((0, self.spreads.size))
        self.log_evidence = np.empty(0)
        self.densities: list[Callable[[FloatArray], FloatArray]] = []  # of the rounds so far

    def start(self) -> None:
        """Draws from the prior, and of the patient factor from around its top."""
        line = self.spreads.draw(_SPREAD_DRAWS, self.rng)
        logged, m = self.spreads.n_logged, self.spreads.n_kinds
        if m:
            root = np.linalg.cholesky(self.top.covariance)
            middle = self.top.line[logged:]
            line[:, logged:] = middle + _t(_SPREAD_DRAWS, m, _SPREAD_TAILS, self.rng) @ root.T

        def density(values: FloatArray) -> FloatArray:
            out = replace(self.spreads, patient=None, never=None).log_prior(values[:, :logged])
            return out + _log_density(values[:, logged:], middle, root) if m else out

        self.densities.append(density)
        self.look(line)

    def look(self, line: FloatArray) -> None:
        """Add draws of the spreads."""
        self.line = np.concatenate([self.line, line])
        self.log_evidence = np.concatenate([self.log_evidence, self.evidence(line)])

    def refine(self) -> None:
        """Add a round of draws near where the weights are."""
        weight = _evened(self.log_weight())
        mean = weight @ self.line
        away = self.line - mean
        root = np.linalg.cholesky((away * weight[:, None]).T @ away + 1e-4 * np.eye(len(mean)))
        self.densities.append(lambda line: _log_density(line, mean, root))
        self.look(mean + _t(_SPREAD_DRAWS, len(mean), _SPREAD_TAILS, self.rng) @ root.T)

    def log_weight(self) -> FloatArray:
        """Log weights of all draws of the spreads, as from the mixture of all rounds."""
        mixture = np.logaddexp.reduce([density(self.line) for density in self.densities], axis=0)
        return np.asarray(self.log_evidence + self.spreads.log_prior(self.line) - mixture)

    def evidence(self, values: FloatArray) -> FloatArray:
        """Log density of the data given the spreads, up to a constant, under the quadratics."""
        out = np.empty(len(values))
        for start in range(0, len(values), _BLOCK):
            rows = slice(start, start + _BLOCK)
            out[rows] = self.given(values[rows]).log_evidence
        return out

    def given(self, line: FloatArray) -> _Given:
        """Coefficients given spreads, under the quadratics."""
        prior = self.problem.prior
        local = self.quadratics.at(line[:, self.spreads.n_logged :])
        precision = prior.precisions(line)
        away = local.point - prior.mean
        towards = np.einsum("sab,sb->sa", precision, away)
        root = _roots(local.information + precision)
        half = np.linalg.solve(root, (local.gradient - towards)[..., None])
        log_evidence = (
            local.value
            - 0.5 * (towards * away).sum(axis=1)
            + 0.5 * (half[..., 0] ** 2).sum(axis=1)
            + 0.5 * prior.log_determinant(line)
            - np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
        )
        return _Given(local.point, root, half, np.where(np.isfinite(log_evidence), log_evidence, -np.inf))


@dataclass(frozen=True)
class _Given:
    """Normals of the coefficients: a point, root of the precision, root times the way to the mean, evidence."""

    point: FloatArray
    root: FloatArray
    half: FloatArray
    log_evidence: FloatArray


def _weighted(problem: Problem, search: _Search, draws: int, rng: np.random.Generator) -> Weighted:
    share = np.cumsum(_even(search.log_weight()))
    distinct = min(_DISTINCT, draws)
    picked = np.searchsorted(share, (np.arange(distinct) + rng.random()) / distinct * share[-1])
    values = search.line[np.minimum(picked, len(share) - 1)]
    each = -(-draws // distinct)
    d = len(search.top.point)
    steps = _t(distinct * each, d, _TAILS, rng)
    point, log_density = np.empty((distinct, each, d)), np.empty((distinct, each))
    for start in range(0, distinct, _BLOCK):
        rows = slice(start, min(start + _BLOCK, distinct))
        given = search.given(values[rows])
        some = steps.reshape(distinct, each, d)[rows]
        # the mean and the draws around it in one solve
        targets = np.concatenate([given.half, some.transpose(0, 2, 1)], axis=2)
        solved = np.linalg.solve(given.root.transpose(0, 2, 1), targets)
        point[rows] = given.point[:, None] + (solved[..., :1] + solved[..., 1:]).transpose(0, 2, 1)
        log_density[rows] = (
            _log_t((some**2).sum(axis=2), d, _TAILS)
            + np.log(np.diagonal(given.root, axis1=1, axis2=2)).sum(axis=1)[:, None]
            + given.log_evidence[:, None]
        )
    prior = problem.prior
    away = point - prior.mean
    density = 0.5 * prior.log_determinant(values)[:, None] - 0.5 * np.einsum(
        "sra,sra->sr", away @ prior.precisions(values), away
    )
    flat = point.reshape(-1, d)
    line = np.repeat(prior.spreads.right_way(values), each, axis=0)
    height = log_likelihood(problem.courses, named(problem, flat, line), problem.kinds)
    log_weight = height + (density - log_density).ravel()
    # a course that cannot be under a draw: smoothing the weights asks for finite ones
    log_weight = np.fmax(log_weight, np.nanmax(log_weight) - _NO_WEIGHT)
    log_prior = density.ravel() + prior.spreads.log_prior(line)
    return Weighted(flat, line, log_weight, log_prior)


def named(problem: Problem, point: FloatArray, line: FloatArray) -> Draws:
    """Points and spreads by their names."""
    courses, spreads = problem.courses, problem.prior.spreads
    K, p, width = courses.n_ends, courses.X.shape[1], courses.n_ends * problem.X.shape[1]
    columns = point[:, :width].reshape(len(point), K, -1)
    effects = point[:, width:].reshape(len(point), K, -1)
    return Draws(
        columns[..., :p], effects, columns[..., p:], spreads.loading(line), spreads.never_share(line)
    )


def _roots(precision: FloatArray) -> FloatArray:
    """Cholesky roots; NaN where a matrix is not positive definite, as a polynomial may be far from its nodes."""
    try:
        return np.linalg.cholesky(precision)
    except np.linalg.LinAlgError:
        bad = np.linalg.eigvalsh(precision)[:, 0] <= 1e-9
        safe = np.where(bad[:, None, None], np.eye(precision.shape[1]), precision)
        return np.where(bad[:, None, None], np.nan, np.linalg.cholesky(safe))


def _even(log_weight: FloatArray) -> FloatArray:
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def _evened(log_weight: FloatArray) -> FloatArray:
    """Weights, flattened where fewer than enough draws would count."""
    power = 1.0
    while True:
        weight = _even(power * log_weight)
        if 1.0 / (weight**2).sum() >= min(_LEAST_COUNTING, len(weight) / 4) or power < 1e-3:
            return weight
        power *= 0.7


def _t(n: int, size: int, tails: float, rng: np.random.Generator) -> FloatArray:
    return rng.standard_normal((n, size)) * np.sqrt(tails / rng.chisquare(tails, n))[:, None]


def _log_t(squared: FloatArray, size: int, tails: float) -> FloatArray:
    constant = lgamma((tails + size) / 2) - lgamma(tails / 2) - size / 2 * log(tails * pi)
    return np.asarray(constant - (tails + size) / 2 * np.log1p(squared / tails))


def _log_density(line: FloatArray, mean: FloatArray, root: FloatArray) -> FloatArray:
    """Log density of a round's proposal."""
    away = np.linalg.solve(root, (line - mean).T)
    return np.asarray(_log_t((away**2).sum(axis=0), len(mean), _SPREAD_TAILS) - np.log(np.diag(root)).sum())
