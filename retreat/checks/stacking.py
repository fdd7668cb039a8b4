"""Definitions beside each other on the same cases: who foresees better, by how much, and in what mixture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.checks.held_out import CrossValidation, clustered_error

FloatArray = NDArray[np.float64]

# below this difference a normal law for its error is not to be trusted (Sivula, Magnusson, Matamoros and Vehtari
# 2020, from memory; arviz_stats.compare marks it too), and beside the next session it is nothing
LEAST_DIFFERENCE = 4.0
_ERRORS = 2.0


@dataclass(frozen=True)
class Candidate:
    """A definition fitted to the cases and held against those it has not seen.

    Parameters
    ----------
    name : str
        Of the definition.
    n_free : int
        Numbers its posterior draws: effects, spreads and groups.
    parts : frozenset of str
        Its terms and groups, so that one that has all of another's and more is the larger.
    found : CrossValidation
        How well it foresees each case.
    """

    name: str
    n_free: int
    parts: frozenset[str]
    found: CrossValidation


@dataclass(frozen=True)
class Beside:
    """A definition beside the one checked.

    Parameters
    ----------
    name : str
        Of the definition.
    n_free : int
        Numbers its posterior draws.
    elpd, standard_error : float
        Expected log predictive density of all cases; higher is better.
    n_effective : float
        Effective number of parameters.
    difference, difference_error : float
        From the definition checked, above 0 where this one is better, the cases of a patient taken together.
    weight : float
        In the mixture that foresees best.
    reading : str
        Which to keep, in words.
    """

    name: str
    n_free: int
    elpd: float
    standard_error: float
    n_effective: float
    difference: float
    difference_error: float
    weight: float
    reading: str


def beside(candidates: Sequence[Candidate]) -> tuple[Beside, ...]:
    """The candidates beside the first, all held out by the same scheme from the same cases.

    Two definitions are told apart where their difference is at least 4 and at least 2 of its standard errors.
    Stacking weights are of the mixture of predictive distributions with the best leave-one-out score (Yao, Vehtari,
    Simpson and Gelman 2018 [1]_).

    Parameters
    ----------
    candidates : sequence of Candidate
        The definition checked first.

    References
    ----------
    .. [1] Yao Y, Vehtari A, Simpson D, Gelman A. Using stacking to average Bayesian predictive distributions. Bayesian
       Anal 2018;13:917-1007 (from memory).
    """
    first = candidates[0]
    weight = _weights(candidates)
    rows = []
    for candidate, share in zip(candidates, weight, strict=True):
        gap = candidate.found.elpd - first.found.elpd
        difference, error = float(gap.sum()), clustered_error(gap, first.found.patient)
        reading = "the definition checked"
        if candidate is not first:
            reading = reading_of(first, candidate, difference, error)
        found = candidate.found
        rows.append(
            Beside(
                candidate.name,
                candidate.n_free,
                found.total,
                found.standard_error,
                found.n_effective,
                difference,
                error,
                float(share),
                reading,
            )
        )
    return tuple(rows)


def reading_of(first: Candidate, other: Candidate, difference: float, error: float) -> str:
    """Which of two definitions to keep, in words.

    Parameters
    ----------
    first, other : Candidate
        The definition checked and the other.
    difference, error : float
        Of the other from the first, above 0 where the other foresees better.
    """
    if difference != difference:
        return "not told: some cases could not be foreseen"
    small = first if first.parts < other.parts else other if other.parts < first.parts else None
    if abs(difference) < LEAST_DIFFERENCE or abs(difference) < _ERRORS * error:
        keep = f"{first.name}, as neither is the simpler" if small is None else f"the simpler, {small.name}"
        return f"not told apart by these cases: keep {keep}"
    winner, loser = (other, first) if difference > 0 else (first, other)
    if winner is small:
        return f"the simple one wins: {winner.name} foresees better than {loser.name}"
    than = f"the simpler {loser.name}" if loser is small else loser.name
    return f"{winner.name} foresees better than {than}"


def _weights(candidates: Sequence[Candidate]) -> FloatArray:
    """Stacking weights, shape (candidates,)."""
    if len(candidates) == 1:
        return np.ones(1)
    # heavy: only a comparison pays for it
    from arviz_stats.loo import compare
    from arviz_stats.utils import ELPDData
    from xarray import DataArray

    told = np.logical_and.reduce([np.isfinite(c.found.elpd) for c in candidates])
    scored = {}
    for number, candidate in enumerate(candidates):
        elpd = candidate.found.elpd[told]
        scored[str(number)] = ELPDData(
            elpd=float(elpd.sum()),
            se=float(np.sqrt(len(elpd) * elpd.var())),
            p=candidate.found.n_effective,
            n_samples=0,
            n_data_points=len(elpd),
            scale="log",
            warning=False,
            good_k=1.0,
            elpd_i=DataArray(elpd, dims="case"),
        )
    found = compare(scored, method="stacking", round_to="none")  # type: ignore[no-untyped-call]
    return np.asarray([float(found.loc[name, "weight"]) for name in scored])
