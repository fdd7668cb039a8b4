"""The fast posterior of a design, with the checks it must pass to be used."""

from __future__ import annotations

import os
from contextlib import AbstractContextManager, nullcontext
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.design import Design
from retreat.fitting.groups import has_operator_effect
from retreat.fitting.nested.courses import Courses, lay_out
from retreat.fitting.nested.prior import Prior, definition_prior
from retreat.fitting.nested.proposal import Mesh, Problem
from retreat.fitting.nested.sampler import Weighted, named, searched, weighted
from retreat.fitting.posterior import Posterior

FloatArray = NDArray[np.float64]

MAX_KHAT = 0.7  # Vehtari et al. 2024
MIN_DRAWS = 1000.0  # effective number after Kish
MIN_SPREADS = 300.0  # the same of distinct spreads, which move a forecast less [our judgement]


class _Try(NamedTuple):
    draws: int  # at first
    more: int  # added as long as too few count
    most: int
    spreads: int  # draws of the spreads a round
    mesh: Mesh
    looking: int  # nodes of the integral over patients while it is looked where the posterior is
    n_nodes: int  # the most of those that weigh draws


# beyond the outermost shell nothing is drawn, which no check of the weights can see: it must lie far out
# a second try, where the first does not pass, takes finer steps and more draws
_TRIES = (
    _Try(1600, 800, 4_000, 320, Mesh((1.8, 5.0), 6), 5, 11),
    _Try(6_000, 3_000, 12_000, 480, Mesh((1.0, 2.0, 3.0, 4.0, 5.5), 10), 15, 15),
)
# the posterior of a small clinic is skewer, its patient factor has heavier tails than the curvature at the top says and
# is lost with few nodes, and its draws cost little
_FEW_CASES, _TIMES_FEW = 500, 3
_TRIES_OF_FEW = (_TRIES[0]._replace(mesh=Mesh((1.5, 3.0, 5.0), 6), looking=11), _TRIES[1])
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
    courses = lay_out(design)
    columns = np.eye(courses.n_operators)[courses.operator] if has_operator_effect(design) else None
    X = courses.X if columns is None else np.hstack([courses.X, columns])
    if prior is None:
        prior = definition_prior(design, courses, prior_scale=prior_scale)
    with _one_thread(), np.errstate(over="ignore", invalid="ignore"):
        problem, checked = _drawn(courses, X, prior, seed)
    found, weight = checked.found, checked.weight
    rng = np.random.default_rng([seed, len(_TRIES)])
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
            "pareto_k": checked.khat,
            "effective_draws": checked.effective,
            "effective_spreads": checked.spreads,
            "draws": float(len(weight)),
        },
    )


class _Checked(NamedTuple):
    """Draws with their smoothed weights and what these say."""

    found: Weighted
    weight: FloatArray
    khat: float
    effective: float
    spreads: float

    @property
    def passed(self) -> bool:
        return self.khat < MAX_KHAT and self.effective >= MIN_DRAWS and self.spreads >= MIN_SPREADS

    @property
    def words(self) -> str:
        return (
            f"Pareto k-hat {self.khat:.2f} (below {MAX_KHAT}), effective draws {self.effective:.0f} "
            f"(at least {MIN_DRAWS:.0f}), of the spreads {self.spreads:.0f} (at least {MIN_SPREADS:.0f})"
        )


def _drawn(courses: Courses, X: FloatArray, prior: Prior, seed: int) -> tuple[Problem, _Checked]:
    """Draws that pass their checks, which are looked at anew after each batch.

    To stop at the first pass favours draws whose largest weight has not come yet; by toy proposals that are too narrow
    the share that passes rises by a few hundredths, and the variance among them falls by as much.
    """
    why = ""
    few = len(X) < _FEW_CASES
    times = _TIMES_FEW if few else 1
    for number, one in enumerate(_TRIES_OF_FEW if few else _TRIES):
        rng = np.random.default_rng([seed, number])
        problem = Problem(courses, X, prior, prior.spreads.kinds(one.n_nodes))
        try:
            search = searched(
                problem, spreads=times * one.spreads, rng=rng, mesh=one.mesh, looking=one.looking
            )
            checked = _checked(weighted(search, times * one.draws))
            # more draws of a search that found too few spreads would find no others
            worth_more = checked.found.effective_search >= MIN_SPREADS
            while worth_more and not checked.passed and len(checked.weight) < times * one.most:
                checked = _checked(checked.found.joined(weighted(search, times * one.more)))
        except (FloatingPointError, np.linalg.LinAlgError) as error:
            why = why or str(error)
            continue
        if checked.passed:
            return problem, checked
        why = checked.words
    raise NotUsableError(why)


def _checked(found: Weighted) -> _Checked:
    from arviz_stats.base.array import array_stats  # heavy: only a Bayesian fit pays for it

    smoothed, khat = array_stats.psislw(-found.log_weight)  # type: ignore[no-untyped-call]
    weight = np.exp(smoothed)
    # draws that share their spreads count as one where a number hangs on the spreads
    by_spread = np.bincount(found.group, weight)
    distinct = min(float(1.0 / (by_spread**2).sum()), found.effective_search)
    return _Checked(found, weight, float(khat), float(1.0 / (weight**2).sum()), distinct)


def _one_thread() -> AbstractContextManager[Any]:
    """Matrices are small here: threads of the linear algebra would only wait for each other."""
    if all(os.environ.get(name) == "1" for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")):
        return nullcontext()  # to look for the libraries would cost a tenth of the fit
    from threadpoolctl import threadpool_limits

    limits: AbstractContextManager[Any] = threadpool_limits(1)
    return limits
