"""Whether priors and cases pull apart: what a posterior hangs on, and whether the cases surprise the prior."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

Diagnosis = Literal[
    "settled by the cases", "the prior speaks", "prior and cases both speak", "prior and cases pull apart"
]
CONFLICT: Diagnosis = "prior and cases pull apart"
BOTH_SPEAK: Diagnosis = "prior and cases both speak"
PRIOR_SPEAKS: Diagnosis = "the prior speaks"
SETTLED: Diagnosis = "settled by the cases"
# Kallioinen and others 2024, the default of psense_summary
THRESHOLD = 0.05
# two-sided 1 in 1,000 of a normal, since some forty numbers are looked at: of 200 tables drawn from the prior
# itself 11 had any number so surprising (at 2.576, 1 in 100, it was 44), by normal approximation of the posterior
SURPRISING = 3.29


@dataclass(frozen=True)
class Quantities:
    """Quantities of a posterior in a table, on a scale where they are about normal.

    Parameters
    ----------
    rows, columns : tuple of str
        Labels.
    prior : ndarray of float, shape (prior draws, rows, columns)
        Under the priors alone.
    posterior : ndarray of float, shape (chains * draws, rows, columns)
        After the cases, chain-major.
    """

    rows: tuple[str, ...]
    columns: tuple[str, ...]
    prior: FloatArray
    posterior: FloatArray


@dataclass(frozen=True)
class Sensitivity:
    """How one quantity answers to its prior and to the cases.

    Parameters
    ----------
    what : str
        Eye or column.
    quantity : str
        Name of the quantity of an eye, or the end of a column.
    prior, likelihood : float
        Power-scaling sensitivities; from 0.05 on they are told.
    surprise : float
        How far the cases moved the quantity, in standard deviations of such moves if the prior were right.
    """

    what: str
    quantity: str
    prior: float
    likelihood: float
    surprise: float

    @property
    def diagnosis(self) -> Diagnosis:
        """In words.

        Power-scaling tells what the quantity hangs on (the rule of Kallioinen and others 2024). A quantity that
        hangs on both is a conflict only if the cases also surprise the prior: hanging on both is as much the mark
        of a middling table and a sensible prior that agree.
        """
        if self.prior < THRESHOLD:
            return SETTLED
        if self.likelihood < THRESHOLD:
            return PRIOR_SPEAKS
        return CONFLICT if abs(self.surprise) >= SURPRISING else BOTH_SPEAK


def surprise(prior: FloatArray, posterior: FloatArray) -> FloatArray:
    r"""Move of the mean from prior to posterior over its standard deviation if the prior were right.

    By the law of total variance, posterior means vary over tables from the prior predictive with the variance of
    the prior less the mean variance of the posterior, so that :math:`z = (m_1 - m_0) / \sqrt{v_0 - v_1}` is about
    standard normal if the prior is right (a check of the prior by the prior predictive, as Evans and Moshonov
    2006 [1]_ do with a sufficient statistic).

    Parameters
    ----------
    prior, posterior : ndarray of float, shape (draws, ...)
        Draws.

    Returns
    -------
    ndarray of float, shape (...)
        0 where the cases tell nothing, so that the variance did not fall.

    References
    ----------
    .. [1] Evans M, Moshonov H. Checking for prior-data conflict. Bayesian Analysis 2006;1:893-914 (from memory).

    Examples
    --------
    >>> around = np.array([-1.0, 1.0])
    >>> surprise(around, 3.0 + 0.5 * around).round(3).item()
    3.464
    """
    told = prior.var(axis=0) - posterior.var(axis=0)
    moved = posterior.mean(axis=0) - prior.mean(axis=0)
    return np.where(told > 0, moved / np.sqrt(np.where(told > 0, told, 1.0)), 0.0)


def power_scaling(
    log_prior: FloatArray, log_likelihood: FloatArray, groups: Mapping[str, Quantities], *, n_chains: int
) -> tuple[Sensitivity, ...]:
    """Power-scaling sensitivity of quantities of a posterior (Kallioinen and others 2024 [1]_), by ArviZ.

    The posterior is reweighted as if the prior, or the likelihood, were raised to a power just below and just
    above 1; a quantity whose distribution then moves hangs on it. One that hangs on both is pulled two ways.

    Parameters
    ----------
    log_prior : ndarray of float, shape (chains * draws,)
        Log density of what a definition states, chain-major; what hangs on a spread, such as the effects of
        operators, is left out, so that it is the statement that is made stronger and not the likeness of operators.
    log_likelihood : ndarray of float, shape (chains * draws, patients)
        Joint log likelihood of the cases of each patient, chain-major. Its sum is what is raised to a power: cases
        given the other cases of their patient would not add up to the likelihood of the table.
    groups : mapping of str to Quantities
        By name.
    n_chains : int
        Chains the draws came in, equally long.

    References
    ----------
    .. [1] Kallioinen N, Paananen T, Bürkner PC, Vehtari A. Detecting and diagnosing prior and likelihood
       sensitivity with power-scaling. Stat Comput 2024;34:57. doi:10.1007/s11222-023-10366-5.
    """
    import xarray as xr  # heavy: only a report with cases pays for it
    from arviz_stats import psense  # type: ignore[attr-defined]  # exported lazily

    chains, draws = n_chains, len(log_prior) // n_chains
    posterior = xr.Dataset(
        {
            name: (
                ("chain", "draw", f"{name}_row", f"{name}_column"),
                group.posterior.reshape(chains, draws, *group.posterior.shape[1:]),
            )
            for name, group in groups.items()
        }
    )
    scaled = xr.DataTree.from_dict(
        {
            "posterior": posterior,
            "log_prior": xr.Dataset({"all": (("chain", "draw"), log_prior.reshape(chains, draws))}),
            "log_likelihood": xr.Dataset(
                {"patients": (("chain", "draw", "patient"), log_likelihood.reshape(chains, draws, -1))}
            ),
        }
    )
    by_prior, by_likelihood = (
        psense(scaled, group=group)  # type: ignore[no-untyped-call]  # it has no types
        for group in ("prior", "likelihood")
    )
    surprises = {name: surprise(group.prior, group.posterior) for name, group in groups.items()}
    return tuple(
        Sensitivity(
            row,
            column,
            float(by_prior[name].to_numpy()[i, j]),
            float(by_likelihood[name].to_numpy()[i, j]),
            float(surprises[name][i, j]),
        )
        for name, group in groups.items()
        for i, row in enumerate(group.rows)
        for j, column in enumerate(group.columns)
    )
