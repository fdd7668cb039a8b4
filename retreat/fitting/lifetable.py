"""The life table by kind: what happened so far among eyes of one kind; the baseline every model must beat."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.fitting.arguments import check_draws
from retreat.fitting.design import Design
from retreat.fitting.layout import pooled_sessions
from retreat.model.fitted import Model
from retreat.model.kernel import Parameters

FloatArray = NDArray[np.float64]
APART = "operators and two eyes of a patient are not told apart by this method: ranges are too narrow where they differ"


def lifetable_model(design: Design, *, seed: int, draws: int = 2000) -> Model:
    """Model whose hazards are counts: ended over at risk, by stratum and session.

    Each stratum carries the table of all cases as `pseudo_cases` further cases (a Dirichlet prior centred
    on the pooled hazards), so that a hazard is not 0 only because few were seen; sessions reached by fewer
    than `pool_below` cases share the counts of the last one reached by enough. Draws are from the Dirichlet
    posterior of each session's ends.

    Parameters
    ----------
    design : Design
        Of a definition with strata.
    seed : int
        Seed of the draws.
    draws : int, 100 to 20000
        How many.

    Raises
    ------
    FitError
        If the definition has no strata.
    """
    if not design.definition.strata:
        raise FitError(
            Fault(design.definition.name, "no strata", "a definition with strata", 'use "lifetable"')
        )
    check_draws(draws)
    rng = np.random.default_rng(seed)
    effects = np.stack(
        [_log_odds(rng, counts, draws) for counts in posterior_counts(design)], axis=1
    )  # (draws, strata, ends, sessions)
    zeros = np.zeros((draws, design.n_ends))
    return Model(
        card=design.card(method="life table by kind", seed=seed, notes=(APART,)),
        coding=design.coding,
        link="logit",
        parameters=Parameters(np.zeros((draws, design.n_ends, 0)), effects, zeros, zeros),
        strata=design.strata,
        stratum_feature=design.definition.strata,
        case_mix=design.case_mix(),
        support=design.support(),
    )


def posterior_counts(design: Design) -> list[FloatArray]:
    """Dirichlet parameters of each stratum, each of shape (sessions, ends + 1), going on last."""
    S = int(design.sessions.max())
    pooled = _counts(design, np.ones(len(design.sessions), dtype=bool), S)
    share = _share(pooled.sum(axis=1), design.definition.sessions.pool_below)
    overall = share @ (share.T @ pooled) + 0.5  # half a case an end, so that no pooled hazard is 0
    prior = design.definition.pseudo_cases * overall / overall.sum(axis=1, keepdims=True)
    strata = []
    for level in range(max(1, len(design.strata))):
        counts = _counts(design, design.stratum == level, S)
        strata.append(share @ (share.T @ counts) + prior)
    return strata


def _counts(design: Design, rows: NDArray[np.bool_], S: int) -> FloatArray:
    sessions, ending = design.sessions[rows], design.ending[rows]
    counts = np.zeros((S, design.n_ends + 1))
    for end in range(1, design.n_ends + 1):
        counts[:, end - 1] = np.bincount(sessions[ending == end], minlength=S + 1)[1:]
    at_risk = np.cumsum(np.bincount(sessions, minlength=S + 1)[::-1])[::-1][1:]
    counts[:, -1] = at_risk - counts[:, :-1].sum(axis=1)
    return counts


def _share(n_at_risk: FloatArray, pool_below: int) -> FloatArray:
    pooled = pooled_sessions(n_at_risk, pool_below)
    share = np.zeros((len(pooled), int(pooled.max()) + 1))
    share[np.arange(len(pooled)), pooled] = 1.0
    return share


def _log_odds(rng: np.random.Generator, counts: FloatArray, draws: int) -> FloatArray:
    """Log odds of each end against going on, shape (draws, ends, sessions)."""
    # gammas kept away from 0 so that a log exists; a hazard of 1e-9 is 0 for any reader
    gammas = np.maximum(rng.gamma(np.maximum(counts, 1e-9), size=(draws, *counts.shape)), 1e-12)
    odds = np.log(gammas[:, :, :-1]) - np.log(gammas[:, :, -1:])
    return odds.transpose(0, 2, 1)
