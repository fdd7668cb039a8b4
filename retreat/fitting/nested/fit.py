"""The fast posterior of a design, with the checks it must pass to be used."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.design import Design
from retreat.fitting.groups import has_operator_effect
from retreat.fitting.nested.courses import lay_out
from retreat.fitting.nested.prior import Prior, definition_prior
from retreat.fitting.nested.proposal import Mesh, Problem
from retreat.fitting.nested.sampler import named, sample
from retreat.fitting.posterior import Posterior

FloatArray = NDArray[np.float64]

MAX_KHAT = 0.7  # Vehtari et al. 2024
MIN_DRAWS = 1000.0  # effective number after Kish
MIN_SPREADS = 300.0  # the same of distinct spreads, which move a forecast less [our judgement]


class _Try(NamedTuple):
    draws: int
    spreads: int  # draws of the spreads a round
    mesh: Mesh
    n_nodes: int  # of the integral over patients


# the posterior of a small clinic is skewer, and its draws cost little
_FEW_CASES, _TIMES_FEW = 500, 2
# where patients are integrated over, a draw costs as many times as there are nodes, and more of the draws count
_TIMES_HARD = 0.8
# beyond the outermost shell nothing is drawn, which no check of the weights can see: it must lie far out, most of all
# for a small clinic, whose patient factor has heavier tails than the curvature at the top says
# a second try, where the first does not pass, takes finer steps and more draws
_TRIES = (
    _Try(3000, 480, Mesh((1.5, 3.0, 5.0), 6), 11),
    _Try(9_000, 480, Mesh((1.0, 2.0, 3.0, 4.0, 5.5), 10), 15),
)
# with many cases the patient factor is near normal, and each node costs its time
_MANY_CASES, _MESH_OF_MANY = 2000, Mesh((1.6, 4.0), 6)
# draws kept, equally likely
KEPT = 2000


class NotUsableError(Exception):
    """The fast posterior has no place for a design, or did not pass its checks; the message says why."""


def obstacle(design: Design) -> str:
    """Why the fast posterior has no place for this design; empty if it has."""
    if design.definition.sessions.effect == "linear":
        return "session effects on a line"
    return ""


def fit_nested(
    design: Design, *, seed: int, prior: Prior | None = None, prior_scale: float = 1.0, kept: int = KEPT
) -> Posterior:
    """Draw the posterior by nested normals and importance weights smoothed by their Pareto tail.

    The draws are used only where the tail index k-hat is below 0.7 and the effective number of draws is at least
    1,000; otherwise there are none (Vehtari, Simpson, Gelman, Yao and Gabry 2024 for the smoothing and its limit,
    Kish 1965 for the number; both from memory).

    Parameters
    ----------
    design : Design
        Cases and definition, for which :func:`obstacle` is empty.
    seed : int
        Seed of the draws.
    prior : Prior, optional
        Prior in place of the definition's.
    prior_scale : float, above 0
        Multiplies the standard deviations of coefficients and first session.
    kept : int
        Draws kept.

    Raises
    ------
    NotUsableError
        If the checks are not passed.
    """
    from arviz_stats.base.array import array_stats  # heavy: only a Bayesian fit pays for it
    from threadpoolctl import threadpool_limits

    courses = lay_out(design)
    columns = np.eye(courses.n_operators)[courses.operator] if has_operator_effect(design) else None
    X = courses.X if columns is None else np.hstack([courses.X, columns])
    if prior is None:
        prior = definition_prior(design, courses, prior_scale=prior_scale)
    khat, effective, distinct, why = np.nan, 0.0, 0.0, ""
    for number, one in enumerate(_TRIES):
        rng = np.random.default_rng([seed, number])
        problem = Problem(courses, X, prior, prior.spreads.kinds(one.n_nodes))
        times = _TIMES_FEW if len(X) < _FEW_CASES else 1
        draws = int(times * one.draws * (_TIMES_HARD if problem.kinds.hard else 1.0))
        # the matrices are small: threads of the linear algebra would only wait for each other
        mesh = one.mesh if len(X) < _MANY_CASES else _MESH_OF_MANY
        with threadpool_limits(1), np.errstate(over="ignore", invalid="ignore"):
            try:
                found = sample(problem, draws=draws, spreads=times * one.spreads, rng=rng, mesh=mesh)
            except (FloatingPointError, np.linalg.LinAlgError) as error:
                why = str(error)
                continue
        smoothed, khat = array_stats.psislw(-found.log_weight)  # type: ignore[no-untyped-call]
        weight = np.exp(smoothed)
        effective = float(1.0 / (weight**2).sum())
        # draws that share their spreads count as one where a number hangs on the spreads
        spread_weight = np.bincount(found.group, weight)
        distinct = min(float(1.0 / (spread_weight**2).sum()), found.effective_search)
        if khat < MAX_KHAT and effective >= MIN_DRAWS and distinct >= MIN_SPREADS:
            break
    else:
        raise NotUsableError(why if np.isnan(khat) else _words(khat, effective, distinct))
    share = np.cumsum(weight)
    at = np.searchsorted(share / share[-1], (np.arange(kept) + rng.random()) / kept)
    at = rng.permutation(np.minimum(at, len(weight) - 1))
    point, line = found.point[at], found.line[at]
    spreads = prior.spreads
    names = named(problem, point, line)
    return Posterior(
        design=design,
        coefficients=names.coefficients,
        effects=names.effects,
        step_sd=spreads.step_sd(line),
        operator_sd=spreads.operator_sd(line),
        operator_effect=names.operator,
        patient_loading=names.loading,
        never=names.never,
        log_prior=prior.log_density(point, line),
        sampler="nested",
        n_chains=1,
        failures=(),
        notes=(),
        diagnostics={
            "pareto_k": float(khat),
            "effective_draws": effective,
            "effective_spreads": distinct,
            "draws": float(len(weight)),
        },
    )


def _words(khat: float, effective: float, distinct: float) -> str:
    return (
        f"Pareto k-hat {khat:.2f} (below {MAX_KHAT}), effective draws {effective:.0f} (at least {MIN_DRAWS:.0f}), "
        f"of the spreads {distinct:.0f} (at least {MIN_SPREADS:.0f})"
    )
