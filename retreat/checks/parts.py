"""A design without some of its cases, coded as before."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.design import Design

IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Part:
    """Some cases of a whole design.

    Parameters
    ----------
    design : Design
        The cases, columns coded as in the whole; sessions are pooled by their own numbers.
    operator : ndarray of int, shape (operators of the whole,)
        Number of each operator of the whole in the part; -1 for one of whom no case is left.
    """

    design: Design
    operator: IntArray


def without(design: Design, left_out: IntArray) -> Part:
    """The design without these cases.

    Parameters
    ----------
    design : Design
        The whole.
    left_out : ndarray of int
        Positions of the cases left out.
    """
    kept = np.setdiff1d(np.arange(len(design.sessions)), left_out)
    known, operator = np.unique(design.operator[kept], return_inverse=True)
    number = np.full(design.n_operators, -1, dtype=np.int64)
    number[known] = np.arange(len(known))
    part = replace(
        design,
        X=design.X[kept],
        sessions=design.sessions[kept],
        ending=design.ending[kept],
        patient=np.unique(design.patient[kept], return_inverse=True)[1].astype(np.int64),
        operator=operator.astype(np.int64),
        stratum=design.stratum[kept],
        features={name: values[kept] for name, values in design.features.items()},
    )
    return Part(part, number)


def whole(design: Design) -> Part:
    """The design as the part that leaves nobody out."""
    return Part(design, np.arange(design.n_operators, dtype=np.int64))
