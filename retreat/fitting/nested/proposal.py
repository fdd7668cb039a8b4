"""Where to draw: the top of the posterior, and quadratics of the log likelihood around it for each patient factor."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.nested.courses import Courses
from retreat.fitting.nested.curvature import Curvature, curvature
from retreat.fitting.nested.hardness import Kinds
from retreat.fitting.nested.prior import Prior
from retreat.fitting.nested.spreads import Spreads

FloatArray = NDArray[np.float64]

_MOST_STEPS = 100
# height left to climb that is near enough to the top to expand around it
_CLOSE = 1e-3
# steps at a node at most, and the height left below its top that is little enough
_NODE_STEPS, _LITTLE_TO_CLIMB = 6, 0.2
# further out than this, in standard deviations, more is little enough: hardly a weight lies there
_FAR, _LITTLE_FAR_OUT = 3.9, 1.5
# least curvature taken for a direction in which the likelihood bends up
_LEAST_BEND = 0.5


@dataclass(frozen=True)
class Problem:
    """Courses, columns and prior of a posterior.

    Parameters
    ----------
    courses : Courses
        Courses.
    X : ndarray, shape (cases, columns)
        Columns with a coefficient an end: the coded ones, then one a operator where operators enter.
    prior : Prior
        Prior given the spreads, and of the spreads.
    kinds : Kinds
        Nodes of the integral over patients.
    """

    courses: Courses
    X: FloatArray
    prior: Prior
    kinds: Kinds

    def curvature(self, point: FloatArray, line: FloatArray) -> Curvature:
        """Log likelihood at coefficients and spreads, with derivatives by both."""
        spreads = self.prior.spreads
        loading, never = spreads.loading(line[None])[0], float(spreads.never_share(line[None])[0])
        return curvature(self.courses, self.X, point, loading, never, self.kinds)


@dataclass(frozen=True)
class Top:
    """Most likely coefficients and patient factor, other spreads held at the middle of their prior.

    Parameters
    ----------
    point : ndarray, shape (parameters,)
        Coefficients and session effects.
    line : ndarray, shape (spreads,)
        Spreads.
    covariance : ndarray, shape (kinds, kinds)
        Of the spreads that shape the likelihood, by the curvature at the top.
    """

    point: FloatArray
    line: FloatArray
    covariance: FloatArray

    @property
    def kinds(self) -> FloatArray:
        """Spreads that shape the likelihood, the last of the line."""
        return self.line[len(self.line) - len(self.covariance) :]


def top(problem: Problem) -> Top:
    """Climb by Newton steps, halved until they climb.

    Raises
    ------
    FloatingPointError
        If no top is found.
    """
    prior, spreads = problem.prior, problem.prior.spreads
    line = spreads.middle()
    d, m = len(prior.mean), spreads.n_kinds
    held = line[: spreads.n_logged]
    precision = prior.precisions(line[None])[0]
    x, best, step = np.concatenate([prior.mean, line[spreads.n_logged :]]), -np.inf, np.zeros(d + m)
    for _ in range(_MOST_STEPS):
        here = np.concatenate([held, x[d:]])
        slope, bend = _prior_of_kinds(spreads, here)
        if m and not np.isfinite(spreads.log_prior(here[None])[0]):
            height = -np.inf
        else:
            found = problem.curvature(x[:d], here)
            away = x[:d] - prior.mean
            height = found.value - 0.5 * away @ precision @ away + float(spreads.log_prior(here[None])[0])
        if not height >= best - 1e-9:
            step = step / 2
            x = x - step
            if np.abs(step).max() < 1e-9:
                break
            continue
        best = height
        gradient = found.gradient + np.concatenate([-precision @ away, slope])
        information = found.information.copy()
        information[:d, :d] += precision
        information[d:, d:] += bend
        step = _bounded_step(gradient, information)
        if 0.5 * gradient @ step < _CLOSE:
            covariance = np.linalg.inv(_bent_down(information))[d:, d:]
            # the climb may end at the mirror image: the draws are turned the right way, and so must the nodes be
            line = spreads.right_way(here[None])[0]
            sign = np.where(line[spreads.n_logged :] == here[spreads.n_logged :], 1.0, -1.0)
            covariance = no_wider(covariance, spreads.kinds_sd()) * np.outer(sign, sign)
            return Top(x[:d] + step[:d], line, covariance)
        x = x + step
    raise FloatingPointError("no top of the posterior was found")


def no_wider(covariance: FloatArray, sd: FloatArray) -> FloatArray:
    """A covariance narrowed in directions in which it is wider than the prior's standard deviations."""
    if not len(sd):
        return covariance
    values, vectors = np.linalg.eigh(covariance / np.outer(sd, sd))
    return np.asarray((vectors * np.minimum(values, 1.0)) @ vectors.T * np.outer(sd, sd))


class Local(NamedTuple):
    """The log likelihood as a quadratic around a point, for each of some draws of the spreads.

    Parameters
    ----------
    value : ndarray, shape (draws,)
        Log likelihood at the point; minus infinity where nothing is known.
    point, gradient : ndarray, shape (draws, parameters)
        The point, near the top, and the gradient there.
    information : ndarray, shape (draws, parameters, parameters)
        Minus second derivatives.
    """

    value: FloatArray
    point: FloatArray
    gradient: FloatArray
    information: FloatArray


@dataclass(frozen=True)
class Mesh:
    """Nodes on shells around a top.

    Parameters
    ----------
    shells : tuple of float
        Distances from the middle, in standard deviations.
    directions : int
        Nodes on a shell.
    """

    shells: tuple[float, ...]
    directions: int


@dataclass(frozen=True)
class Quadratics:
    """Quadratics at nodes of the spreads that shape the likelihood, and between them.

    Between nodes each part is a cubic spline in as many dimensions (radial basis functions of the third power of the
    distance with a linear trend; Duchon 1977, from memory).

    Parameters
    ----------
    top : Top
        The middle of the nodes.
    root : ndarray, shape (kinds, kinds)
        Cholesky root of the unit of distance.
    nodes : ndarray, shape (nodes, kinds)
        Nodes, as distances from the middle.
    parts : Local
        Quadratic at each node.
    weights : ndarray, shape (nodes + kinds + 1, nodes)
        From values at the nodes to the coefficients of the spline.
    """

    top: Top
    root: FloatArray
    nodes: FloatArray
    parts: Local
    weights: FloatArray

    def at(self, kinds: FloatArray) -> Local:
        """Quadratics at draws of the spreads."""
        if not kinds.shape[1]:
            return Local(*(np.broadcast_to(part, (len(kinds), *part.shape[1:])) for part in self.parts))
        away = np.linalg.solve(self.root, (kinds - self.top.kinds).T).T
        share = _basis(away, self.nodes) @ self.weights  # (draws, nodes)
        value, *others = (
            (share @ part.reshape(len(part), -1)).reshape(-1, *part.shape[1:]) for part in self.parts
        )
        known = (away**2).sum(axis=1) <= (1.0 + 1e-9) * (self.nodes**2).sum(axis=1).max()
        return Local(np.where(known, value, -np.inf), *others)

    @property
    def reach(self) -> float:
        """Distance of the outermost nodes from the middle."""
        return float(np.sqrt((self.nodes**2).sum(axis=1).max()))

    def distance(self, kinds: FloatArray) -> FloatArray:
        """Distance of draws of the spreads from the middle, in standard deviations, shape (draws,)."""
        away = np.linalg.solve(self.root, (kinds - self.top.kinds).T).T
        return np.asarray(np.sqrt((away**2).sum(axis=1)))


def quadratics(problem: Problem, found: Top, mesh: Mesh) -> Quadratics:
    """Quadratics at the nodes of a mesh around a top."""
    m, d = len(found.kinds), len(found.point)
    root = np.linalg.cholesky(found.covariance)
    around = (shell * _directions(m, mesh.directions, turn) for turn, shell in enumerate(mesh.shells))
    nodes = np.concatenate([np.zeros((1, m)), *around]) if m else np.zeros((1, 0))
    logged = problem.prior.spreads.n_logged
    precision = problem.prior.precisions(found.line[None])[0]
    parts: list[_Part] = []
    slopes: list[FloatArray] = []  # how the top of each node moves with the spreads
    for number, node in enumerate(nodes):
        line = found.line.copy()
        line[logged:] += root @ node
        point = found.point
        far = bool(node @ node > _FAR**2)
        if number:
            point = (_extended if far else _along)(nodes[:number], node, root, parts, slopes)
        for _ in range(_NODE_STEPS):
            here = problem.curvature(point, line)
            bent = _bent_down(here.information[:d, :d] + precision)
            slope = here.gradient[:d] - precision @ (point - problem.prior.mean)
            step = np.linalg.solve(bent, slope)
            if 0.5 * slope @ step < (_LITTLE_FAR_OUT if far else _LITTLE_TO_CLIMB):
                break
            point = point + step
        else:
            here = problem.curvature(point, line)
        parts.append((here.value, point, here.gradient[:d], here.information[:d, :d]))
        slopes.append(-np.linalg.solve(bent, here.information[:d, d:]))
    stacked = Local(*(np.array(part) for part in zip(*parts, strict=True)))
    return Quadratics(found, root, nodes, stacked, _spline_weights(nodes))


_Part = tuple[float, FloatArray, FloatArray, FloatArray]


def _along(
    nodes: FloatArray, node: FloatArray, root: FloatArray, parts: list[_Part], slopes: list[FloatArray]
) -> FloatArray:
    """Top of a node from that of the nearest node before it, along its slope."""
    near = int(np.argmin(((nodes - node) ** 2).sum(axis=1)))
    return np.asarray(parts[near][1] + slopes[near] @ (root @ (node - nodes[near])))


def _extended(
    nodes: FloatArray, node: FloatArray, root: FloatArray, parts: list[_Part], slopes: list[FloatArray]
) -> FloatArray:
    """Top of a node far out: a spline of what the plane at the middle leaves of the tops before it."""
    tops = np.array([part[1] - slopes[0] @ (root @ at) for part, at in zip(parts, nodes, strict=True)])
    share = _basis(node[None], nodes) @ _spline_weights(nodes)
    return np.asarray(share[0] @ tops + slopes[0] @ (root @ node))


def _basis(away: FloatArray, nodes: FloatArray) -> FloatArray:
    """Basis of the spline: distances to the nodes to the third power, 1 and the coordinates."""
    squared = (away**2).sum(axis=1)[:, None] + (nodes**2).sum(axis=1) - 2.0 * away @ nodes.T
    return np.concatenate([np.maximum(squared, 0.0) ** 1.5, np.ones((len(away), 1)), away], axis=1)


def _spline_weights(nodes: FloatArray) -> FloatArray:
    n, m = nodes.shape
    if not m:
        return np.zeros((1, 1))
    system = np.zeros((n + m + 1, n + m + 1))
    system[:n] = _basis(nodes, nodes)
    system[n:, :n] = system[:n, n:].T
    return np.asarray(np.linalg.solve(system, np.eye(n + m + 1)[:, :n]))


def _directions(m: int, n: int, turn: int) -> FloatArray:
    """Directions around a middle, half a turn on for the next shell, shape (directions, m)."""
    if m == 1:
        return np.array([[-1.0], [1.0]])
    if m == 2:
        angle = 2 * np.pi * (np.arange(n) + turn / 2) / n
        return np.stack([np.cos(angle), np.sin(angle)], axis=1)
    axes = np.eye(m)
    corners = np.array(list(product((-1.0, 1.0), repeat=m))) / m**0.5
    return np.concatenate([axes, -axes, corners])


def _prior_of_kinds(spreads: Spreads, line: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Slope of the log prior of the spreads that shape the likelihood, and minus its second derivatives."""
    slope, bend = [], []
    if spreads.patient is not None:
        slope += list(-spreads.loading(line[None])[0] / spreads.patient**2)
        bend += [spreads.patient**-2] * spreads.n_ends
    if spreads.never is not None:
        a, b = spreads.never
        v = float(line[-1])
        slope.append((2 * a - 1) / v - 2 * (b - 1) * v / (1 - v * v))
        bend.append((2 * a - 1) / v**2 + 2 * (b - 1) * (1 + v * v) / (1 - v * v) ** 2)
    return np.array(slope), np.diag(bend) if bend else np.zeros((0, 0))


def _bent_down(information: FloatArray) -> FloatArray:
    """The information with directions that bend up, or hardly down, given a little curvature."""
    try:
        np.linalg.cholesky(information - 1e-6 * np.eye(len(information)))
    except np.linalg.LinAlgError:
        values, vectors = np.linalg.eigh(information)
        return np.asarray((vectors * np.maximum(np.abs(values), _LEAST_BEND)) @ vectors.T)
    return information


def _bounded_step(gradient: FloatArray, information: FloatArray) -> FloatArray:
    step = np.linalg.solve(_bent_down(information), gradient)
    return np.asarray(step * min(1.0, _LONGEST / max(np.abs(step).max(), 1e-300)))


# no parameter moves further in one step
_LONGEST = 2.0
