"""Draws of the posterior by importance sampling: normals nested in the spreads, tails heavier than the normal's."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import lgamma, log, pi

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.nested.hardness import Kinds, kinds
from retreat.fitting.nested.likelihood import Draws, log_likelihood
from retreat.fitting.nested.proposal import Mesh, Problem, Quadratics, Top, no_wider, quadratics, top

FloatArray = NDArray[np.float64]

# degrees of freedom of the t proposals of the spreads
_SPREAD_TAILS = 5.0
# mixture of t proposals of the coefficients: share and degrees of freedom; in 48 dimensions and for a normal the
# heavy tails alone would leave half of the draws, with most draws near the normal over 0.9 are left
_TAILS = ((0.9, 300.0), (0.1, 6.0))
# rounds after the first, which is from the prior
_ROUNDS = 4
# the first rounds only look for the place: weights are evened out until so many draws count
_LEAST_COUNTING = 60.0
# final draws that share their spreads, whose part in the spread of a forecast is small
_SHARING = 4
# matrices of so many draws of the spreads at a time stay small enough not to ask the system for memory each time
_BLOCK = 32
_NO_WEIGHT = 600.0
# nodes are laid anew, so often at most, while this share of the weight or more lies beyond the edge, a share of the
# way to the outermost nodes, or fewer draws of the spreads than these count
_MOVES, _AT_EDGE, _EDGE, _LEAST_FOUND = 3, 0.01, 0.85, 300.0
# numbers of nodes tried, the number they are held against, and the difference of log likelihoods allowed
_NODES, _MANY_NODES, _NODE_ERROR = (5, 7, 9), 31, 0.05
# larger than any squared height of a slope over its curvature
_CORNER = 1e30


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
    group : ndarray of int, shape (draws,)
        Draws of one group share their spreads.
    effective_search : float
        Effective number of draws of the spreads from which these were picked.
    """

    point: FloatArray
    line: FloatArray
    log_weight: FloatArray
    log_prior: FloatArray
    group: NDArray[np.int64]
    effective_search: float

    def joined(self, more: Weighted) -> Weighted:
        """Both, from one search."""
        return Weighted(
            point=np.concatenate([self.point, more.point]),
            line=np.concatenate([self.line, more.line]),
            log_weight=np.concatenate([self.log_weight, more.log_weight]),
            log_prior=np.concatenate([self.log_prior, more.log_prior]),
            group=np.concatenate([self.group, more.group]),
            effective_search=self.effective_search,
        )


def searched(problem: Problem, *, spreads: int, rng: np.random.Generator, mesh: Mesh, looking: int) -> Search:
    """Find where the posterior is.

    The log likelihood is expanded to a quadratic at nodes of the patient factor (Laplace); under a quadratic the
    coefficients given the spreads are normal and the spreads have a closed density, which is drawn from by adaptive
    importance sampling (Cornuet and others 2012, from memory; Rue, Martino and Chopin 2009 for the nesting, from
    memory).

    Parameters
    ----------
    problem : Problem
        Model and data.
    spreads : int
        Draws of the spreads a round.
    rng : Generator
        Source of everything random.
    mesh : Mesh
        Nodes of the quadratics.
    looking : int
        Nodes of the integral over patients while climbing and in the quadratics: few will do, since the weights of
        the draws make good what they get wrong inside the outermost shell.

    Raises
    ------
    FloatingPointError
        If no top of the posterior is found, or the patient factor lies beyond the nodes.
    """
    rough = replace(problem, kinds=_with_nodes(problem.kinds, looking))
    search = Search(rough, top(rough), mesh, spreads, rng)
    search.start()
    for _ in range(_ROUNDS):
        search.refine()
    for _ in range(_MOVES):
        if search.settled():
            break
        search.move(mesh)
        search.refine()
    if not search.settled():
        raise FloatingPointError("the patient factor lies partly beyond the nodes")
    search.kinds = fewest_nodes(problem, search.top)
    return search


def fewest_nodes(problem: Problem, found: Top) -> Kinds:
    """Fewest nodes of the integral over patients that tell draws apart as well as many do.

    At the top, and at the patient factor three standard deviations on either side, log likelihoods up to a common
    constant must lie within 0.05 of those at 31 nodes (a twentieth of a weight, three deviations out); else the
    problem's own nodes stay.
    """
    if not problem.kinds.hard:
        return problem.kinds
    spreads = problem.prior.spreads
    away = 3.0 * np.linalg.cholesky(found.covariance).T
    line = np.repeat(found.line[None], 2 * len(away) + 1, axis=0)
    line[1:, spreads.n_logged :] += np.concatenate([away, -away])
    if spreads.never is not None:
        line[:, -1] = np.clip(line[:, -1], -1.0, 1.0)
    draws = named(problem, np.repeat(found.point[None], len(line), axis=0), line)
    best = log_likelihood(problem.courses, draws, _with_nodes(problem.kinds, _MANY_NODES))
    for n_nodes in _NODES:
        fewer = _with_nodes(problem.kinds, n_nodes)
        if len(fewer.node) >= len(problem.kinds.node):
            break
        off = log_likelihood(problem.courses, draws, fewer) - best
        if np.ptp(off) < _NODE_ERROR:
            return fewer
    return problem.kinds


def _with_nodes(like: Kinds, n_nodes: int) -> Kinds:
    return kinds(hard=like.hard, never=not like.responds.all(), n_nodes=n_nodes)


class Search:
    """Where the spreads are, found in rounds; `kinds` are the nodes of the integral over patients that weigh draws."""

    def __init__(
        self, problem: Problem, found: Top, mesh: Mesh, draws: int, rng: np.random.Generator
    ) -> None:
        self.problem, self.top, self.draws, self.rng = problem, found, draws, rng
        self.kinds = problem.kinds
        self.spreads = problem.prior.spreads
        self.quadratics: Quadratics = quadratics(problem, found, mesh)
        self.line = np.empty((0, self.spreads.size))
        self.log_evidence = np.empty(0)
        self.densities: list[Callable[[FloatArray], FloatArray]] = []  # of the rounds so far
        self.log_mixture = np.empty(0)  # of all of them at each draw

    def start(self) -> None:
        """Draws from the prior, and of the patient factor from around its top."""
        line = self.spreads.draw(self.draws, self.rng)
        logged, m = self.spreads.n_logged, self.spreads.n_kinds
        if m:
            root = np.linalg.cholesky(self.top.covariance)
            middle = self.top.line[logged:]
            line[:, logged:] = middle + _t(self.draws, m, _SPREAD_TAILS, self.rng) @ root.T

        def density(values: FloatArray) -> FloatArray:
            out = replace(self.spreads, patient=None, never=None).log_prior(values[:, :logged])
            return out + _log_density(values[:, logged:], middle, root) if m else out

        self.look(line, density)

    def look(self, line: FloatArray, density: Callable[[FloatArray], FloatArray]) -> None:
        """Add draws of the spreads, turned the right way: the likelihood does not tell the signs apart."""
        line = self.spreads.right_way(line)
        if self.densities:
            self.log_mixture = np.logaddexp(self.log_mixture, self._mixed([density], self.line))
        self.densities.append(density)
        self.log_mixture = np.concatenate([self.log_mixture, self._mixed(self.densities, line)])
        self.line = np.concatenate([self.line, line])
        self.log_evidence = np.concatenate([self.log_evidence, self.evidence(line)])

    def refine(self) -> None:
        """Add a round of draws near where the weights are."""
        weight = _evened(self.log_weight())
        mean = weight @ self.line
        away = self.line - mean
        root = np.linalg.cholesky((away * weight[:, None]).T @ away + 1e-4 * np.eye(len(mean)))
        self.look(
            mean + _t(self.draws, len(mean), _SPREAD_TAILS, self.rng) @ root.T,
            lambda line: _log_density(line, mean, root),
        )

    def _mixed(self, densities: list[Callable[[FloatArray], FloatArray]], line: FloatArray) -> FloatArray:
        images = self.spreads.images(line)
        return np.asarray(np.logaddexp.reduce([one(image) for one in densities for image in images], axis=0))

    def settled(self) -> bool:
        """Whether draws enough count, and hardly any near the outermost nodes, beyond which nothing is known."""
        if not self.spreads.n_kinds:
            return True
        weight = _even(self.log_weight())
        away = self.quadratics.distance(self.line[:, self.spreads.n_logged :])
        at_edge = weight[away > _EDGE * self.quadratics.reach].sum()
        return bool(at_edge < _AT_EDGE and 1.0 / (weight**2).sum() >= _LEAST_FOUND)

    def move(self, mesh: Mesh) -> None:
        """Lay the nodes anew over where the weights are: the curvature at the top may promise too little."""
        logged = self.spreads.n_logged
        weight = _evened(self.log_weight())
        found = self.line[:, logged:]
        mean = weight @ found
        away = found - mean
        covariance = no_wider((away * weight[:, None]).T @ away, self.spreads.kinds_sd())
        point = self.quadratics.at(mean[None]).point[0]
        line = np.concatenate([self.top.line[:logged], mean])
        self.top = Top(point, line, covariance)
        self.quadratics = quadratics(self.problem, self.top, mesh)
        self.log_evidence = self.evidence(self.line)

    def log_weight(self) -> FloatArray:
        """Log weights of all draws of the spreads, as from the mixture of all rounds."""
        out = np.asarray(self.log_evidence + self.spreads.log_prior(self.line) - self.log_mixture)
        if not np.isfinite(out.max()):
            raise FloatingPointError("no draw of the spreads is possible")
        return out

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
        towards = (precision @ away[..., None])[..., 0]
        # one Cholesky of the precision with the slope as a last row: its last row is the root times the way to the mean
        d = len(prior.mean)
        bordered = np.zeros((len(line), d + 1, d + 1))
        np.add(local.information, precision, out=bordered[:, :d, :d])
        bordered[:, d, :d] = bordered[:, :d, d] = local.gradient - towards
        bordered[:, d, d] = _CORNER
        bordered[~np.isfinite(local.value)] = np.eye(d + 1)
        whole = _roots(bordered)
        root, half = whole[:, :d, :d], whole[:, d, :d, None]
        height = local.value - 0.5 * (towards * away).sum(axis=1) + 0.5 * (half[..., 0] ** 2).sum(axis=1)
        log_evidence = (
            height
            + 0.5 * prior.log_determinant(line)
            - np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
        )
        # the height over the prior's centre is no more than a likelihood: a quadratic between nodes that is nearly
        # flat in some direction would promise more, and draw all weights to itself
        believed = np.isfinite(log_evidence) & (height < self.quadratics.parts.value.max() + 0.5 * d)
        return _Given(local.point, root, half, np.where(believed, log_evidence, -np.inf))


@dataclass(frozen=True)
class _Given:
    """Normals of the coefficients: a point, root of the precision, root times the way to the mean, evidence."""

    point: FloatArray
    root: FloatArray
    half: FloatArray
    log_evidence: FloatArray


def weighted(search: Search, draws: int) -> Weighted:
    """Draws of the posterior where a search found it.

    Coefficients are drawn from a mixture of t distributions around their normal given the spreads, and weighted by the
    exact posterior: the quadratics only say where to look.

    Parameters
    ----------
    search : Search
        Of :func:`searched`.
    draws : int
        How many, a multiple of 4.

    Raises
    ------
    FloatingPointError
        If no draw is possible.
    """
    problem, rng = search.problem, search.rng
    found = _even(search.log_weight())
    share = np.cumsum(found)
    each, distinct = _SHARING, draws // _SHARING
    picked = np.searchsorted(share, (np.arange(distinct) + rng.random()) / distinct * share[-1])
    picked = np.minimum(picked, len(share) - 1)
    values = search.line[picked]
    d = len(search.top.point)
    steps, log_step = _mixed_t(distinct * each, d, rng)
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
            log_step.reshape(distinct, each)[rows]
            + np.log(np.diagonal(given.root, axis1=1, axis2=2)).sum(axis=1)[:, None]
            + given.log_evidence[:, None]
        )
    prior = problem.prior
    away = point - prior.mean
    rough = ((away @ prior.precisions(values)) * away).sum(axis=2)
    density = 0.5 * prior.log_determinant(values)[:, None] - 0.5 * rough
    flat = point.reshape(-1, d)
    line = np.repeat(prior.spreads.right_way(values), each, axis=0)
    height = log_likelihood(problem.courses, named(problem, flat, line), search.kinds)
    log_weight = height + (density - log_density).ravel()
    # a course that cannot be under a draw: smoothing the weights asks for finite ones
    if not np.isfinite(log_weight).any():
        raise FloatingPointError("no draw of the posterior is possible")
    log_weight = np.fmax(log_weight, np.nanmax(log_weight) - _NO_WEIGHT)
    log_prior = density.ravel() + prior.spreads.log_prior(line)
    group = np.repeat(picked, each)
    return Weighted(flat, line, log_weight, log_prior, group, float(1.0 / (found**2).sum()))


def named(problem: Problem, point: FloatArray, line: FloatArray) -> Draws:
    """Points and spreads by their names."""
    courses, spreads = problem.courses, problem.prior.spreads
    K, p, width = courses.n_ends, courses.X.shape[1], courses.n_ends * problem.X.shape[1]
    columns = point[:, :width].reshape(len(point), K, -1)
    effects = point[:, width:].reshape(len(point), K, -1)
    return Draws(
        columns[..., :p], effects, columns[..., p:], spreads.loading(line), spreads.never_share(line)
    )


def _roots(bordered: FloatArray) -> FloatArray:
    """Cholesky roots; NaN where a precision is not positive definite, as a polynomial may be far from its nodes."""
    try:
        return np.linalg.cholesky(bordered)
    except np.linalg.LinAlgError:
        # of the precision alone: beside the corner small eigenvalues have no digits
        bad = np.linalg.eigvalsh(bordered[:, :-1, :-1])[:, 0] <= 1e-9
        safe = np.where(bad[:, None, None], np.eye(bordered.shape[1]), bordered)
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


def _mixed_t(n: int, size: int, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Steps from the mixture of t distributions, shape (n, size), and their log density, shape (n,)."""
    share, tails = (np.array(column) for column in zip(*_TAILS, strict=True))
    mine = rng.choice(tails, n, p=share)
    steps = rng.standard_normal((n, size)) * np.sqrt(mine / rng.chisquare(mine))[:, None]
    squared = (steps**2).sum(axis=1)
    log_density = [log(a) + _log_t(squared, size, b) for a, b in _TAILS]
    return steps, np.asarray(np.logaddexp.reduce(log_density, axis=0))


def _log_density(line: FloatArray, mean: FloatArray, root: FloatArray) -> FloatArray:
    """Log density of a round's proposal."""
    away = np.linalg.solve(root, (line - mean).T)
    return np.asarray(_log_t((away**2).sum(axis=0), len(mean), _SPREAD_TAILS) - np.log(np.diag(root)).sum())
