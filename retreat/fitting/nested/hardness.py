"""Kinds of patient to add up over: how hard the eyes are (a standard normal number) and whether they ever respond."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Gauss-Hermite nodes: 11 leave the log likelihood of 1,000 cases within 0.01 at loadings up to 1 (tests)
N_NODES = 11


@dataclass(frozen=True)
class Kinds:
    """Nodes of the integral over patients.

    Parameters
    ----------
    node : ndarray of float, shape (kinds,)
        How hard.
    weight : ndarray of float, shape (kinds,)
        Weight of the node among patients that respond, or among those that never do.
    responds : ndarray of bool, shape (kinds,)
        Whether the first end can happen.
    """

    node: FloatArray
    weight: FloatArray
    responds: NDArray[np.bool_]

    @property
    def hard(self) -> bool:
        """Whether patients differ in how hard their eyes are."""
        return len(self.node) > 1 and bool(self.node.any())

    def shares(self, never: FloatArray) -> FloatArray:
        """Share of each kind, shape (..., kinds), where a share `never` of patients never responds."""
        mixed = np.asarray(never)[..., None]
        return np.where(self.responds, 1.0 - mixed, mixed) * self.weight


def kinds(*, hard: bool, never: bool, n_nodes: int = N_NODES) -> Kinds:
    """Kinds of patient for a model with or without a patient factor and a share that never responds."""
    node, weight = np.zeros(1), np.ones(1)
    if hard:
        node, weight = np.polynomial.hermite_e.hermegauss(n_nodes)
        weight = weight / weight.sum()
    responds = np.ones(len(node), dtype=bool)
    if not never:
        return Kinds(node, weight, responds)
    return Kinds(np.tile(node, 2), np.tile(weight, 2), np.concatenate([responds, ~responds]))
