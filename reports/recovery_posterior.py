"""Simulation-based calibration of a posterior, and coverage of its forecast intervals: the parts of `reports.recovery`.

Method (Talts and others 2018, arXiv:1804.06788). Parameters are drawn from the priors a definition states, by code
of this file alone, courses from the parameters, and the posterior from the courses: the true value then ranks evenly
among draws of the posterior. The cases (features, patients of one or two eyes, five operators) are the same in every
replication; courses are cut at session 4. Each replication keeps 99 draws, few against the 1,000 and more effective
ones, so that they count as independent. Even ranks are tested for each quantity by chi-square on 20 bins and by the
largest excursion of the cumulative counts (Saeilynoja, Buerkner and Vehtari 2022, doi 10.1007/s11222-022-10090-6),
each at a level of 0.01 for all quantities together (Bonferroni).

Nothing is lost by odd clinics. The gates of the definition (least cases, least ended) are not applied: a posterior
exists for any courses, also where nobody ended. Rules that look at the courses alone would not bend the ranks either,
since those are even given any courses; so what the fast posterior refuses is counted, and the rest stays even.
Sessions reached by few cases are not pooled here, as what is pooled would depend on the courses.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Literal

import numpy as np
import pandas as pd
from joblib import Parallel, delayed

import synthetic
from retreat.definitions import read_definition
from retreat.fitting.bayes import fit_bayes, posterior_of
from retreat.fitting.design import Design, design
from retreat.fitting.nested.fit import NotUsableError, fit_nested
from retreat.fitting.posterior import Posterior
from retreat.model import kernel

Sampler = Literal["nested", "nuts"]
LAST, N_RANKED, N_BINS = 4, 99, 20
FORECAST_CASES, FORECAST_SESSION = (0, 1, 2), 2
# a posterior that is surer than it should be: its draws are pulled to their mean
OVERCONFIDENT = 0.6
# new cases of the coverage
N_NEW = 20


@dataclass(frozen=True)
class Law:
    """Parameters of one replication, by the names of a posterior."""

    coefficients: np.ndarray  # (ends, columns)
    effects: np.ndarray  # (ends, sessions)
    step_sd: np.ndarray  # (ends,)
    operator_sd: np.ndarray  # (ends,)
    operator_effect: np.ndarray  # (ends, operators + 1), the last one unseen
    loading: np.ndarray  # (ends,)


@cache
def cases_of(name: str, n_cases: int) -> Design:
    """The cases of every replication: an invented clinic of five operators, a fifth of the patients with two eyes."""
    clinic = synthetic.make("known_clustered", seed=77, cases=n_cases, truth=False)
    table = pd.DataFrame(clinic.cases)
    table["operator"] = [f"op_{'abcde'[i % 5]}" for i in table["patient"].astype("category").cat.codes]
    definition = read_definition(name)
    return design(
        table, replace(definition, sessions=definition.sessions.model_copy(update={"pool_below": 0}))
    )


def draw_law(base: Design, rng: np.random.Generator) -> Law:
    """Parameters from the priors of a definition."""
    definition, K = base.definition, base.n_ends
    mean, sd = definition.coefficient_priors(base.coding)
    level, level_sd = definition.first_session_priors()
    step_sd = np.abs(rng.normal(0.0, definition.sessions.step.sd, K))
    steps = rng.normal(0.0, 1.0, (K, LAST)) * step_sd[:, None]
    steps[:, 0] = rng.normal(level, level_sd)
    operator_sd = np.abs(rng.normal(0.0, definition.groups.operator.sd, K))
    loading = rng.normal(0.0, definition.groups.patient.sd, K)
    return Law(
        coefficients=rng.normal(mean, sd),
        effects=np.cumsum(steps, axis=1),
        step_sd=step_sd,
        operator_sd=operator_sd,
        operator_effect=rng.normal(0.0, 1.0, (K, base.n_operators + 1)) * operator_sd[:, None],
        loading=loading if loading[0] > 0 else -loading,
    )


def draw_courses(base: Design, law: Law, rng: np.random.Generator) -> Design:
    """Courses under a law, looked at until session 4 or an earlier one."""
    n = len(base.X)
    hard = rng.normal(size=base.n_patients)[base.patient]
    predictor = (
        base.X @ law.coefficients.T + law.operator_effect[:, base.operator].T + np.outer(hard, law.loading)
    )
    seen = rng.integers(2, LAST + 1, n)
    sessions, ending, going_on = seen.copy(), np.zeros(n, dtype=np.int64), np.ones(n, dtype=bool)
    for k in range(LAST):
        hazard = _hazard(predictor + law.effects[:, k])
        way = (rng.random(n)[:, None] > np.cumsum(hazard, axis=1)).sum(axis=1)  # number of ends: goes on
        over = going_on & (way < base.n_ends) & (k < seen)
        sessions[over], ending[over] = k + 1, way[over] + 1
        going_on &= ~over
    return replace(base, sessions=sessions.astype(np.int64), ending=ending)


def _hazard(eta: np.ndarray) -> np.ndarray:
    top = np.maximum(eta.max(axis=-1, keepdims=True), 0.0)
    odds = np.exp(eta - top)
    return odds / (np.exp(-top) + odds.sum(axis=-1, keepdims=True))


def true_incidence(base: Design, law: Law) -> np.ndarray:
    """Incidence of each end under an unseen operator, averaged over patients, shape (cases, ends)."""
    node, weight = np.polynomial.hermite_e.hermegauss(60)
    X = base.X[list(FORECAST_CASES)]
    eta = (X @ law.coefficients.T + law.operator_effect[:, -1])[:, None] + node[:, None] * law.loading
    left, total = np.ones((len(X), len(node), 1)), 0.0
    for k in range(FORECAST_SESSION):
        hazard = _hazard(eta + law.effects[:, k])  # (cases, nodes, ends)
        total = total + left * hazard
        left = left * (1.0 - hazard.sum(axis=2, keepdims=True))
    return np.asarray(np.einsum("nqj,q->nj", total, weight / weight.sum()))


def quantities(
    base: Design, law: Law, posterior: Posterior, seed: int
) -> dict[str, tuple[float, np.ndarray]]:
    """True value and draws of each quantity that is ranked."""
    names, ends = base.coding.names, base.definition.ends
    few = posterior.thinned(N_RANKED)
    incidence = kernel.pmf(
        few.parameters(seed=seed),
        base.X[list(FORECAST_CASES)],
        np.zeros(len(FORECAST_CASES), dtype=np.intp),
        horizon=FORECAST_SESSION,
        link="logit",
    ).sum(axis=3)  # (draws, cases, ends)
    truth = true_incidence(base, law)
    found: dict[str, tuple[float, np.ndarray]] = {}
    for j, end in enumerate(ends):
        for i, name in enumerate(names):
            found[f"{end} {name}"] = law.coefficients[j, i], few.coefficients[:, j, i]
        found[f"{end} session 1"] = law.effects[j, 0], few.effects[:, j, 0]
        if few.step_sd.shape[1]:
            found[f"{end} step sd"] = law.step_sd[j], few.step_sd[:, j]
        found[f"{end} operator sd"] = law.operator_sd[j], few.operator_sd[:, j]
        found[f"{end} operator a"] = law.operator_effect[j, 0], few.operator_effect[:, j, 0]
        found[f"{end} patient loading"] = law.loading[j], few.patient_loading[:, j]
        for i in FORECAST_CASES:
            found[f"{end} of case {i + 1} by session {FORECAST_SESSION}"] = truth[i, j], incidence[:, i, j]
    return found


def replicate(name: str, n_cases: int, seed: int, sampler: Sampler) -> dict[str, Any]:
    """Ranks of one replication, of the posterior and of one that is too sure; or why there are none."""
    base, rng = cases_of(name, n_cases), np.random.default_rng([seed, n_cases])
    law = draw_law(base, rng)
    drawn = draw_courses(base, law, rng)
    nobody = not (drawn.ending > 0).any()
    try:
        posterior = _sampled(drawn, seed, sampler)
    except NotUsableError as error:
        return {"refused": str(error), "seed": seed, "nobody_ended": nobody}
    found = quantities(base, law, posterior, seed)
    ranks = {name: int((draws < true).sum()) for name, (true, draws) in found.items()}
    sure = {
        name: int((draws.mean() + OVERCONFIDENT * (draws - draws.mean()) < true).sum())
        for name, (true, draws) in found.items()
    }
    return {
        "ranks": ranks,
        "sure": sure,
        "nobody_ended": nobody,
        "khat": posterior.diagnostics.get("pareto_k"),
    }


def _sampled(drawn: Design, seed: int, sampler: Sampler) -> Posterior:
    if sampler == "nested":
        return fit_nested(drawn, seed=seed)
    if not (drawn.ending > 0).any():
        raise NotUsableError("NUTS asks for one ended case")
    return posterior_of(fit_bayes(drawn, seed=seed, draws=500, tune=700, chains=2))


def replications(
    name: str, *, n: int, n_cases: int, sampler: Sampler = "nested", jobs: int = 1, first_seed: int = 1
) -> list[dict[str, Any]]:
    """So many replications, seeds from `first_seed` on, none left out."""
    work = (delayed(replicate)(name, n_cases, seed, sampler) for seed in range(first_seed, first_seed + n))
    return list(Parallel(n_jobs=jobs)(work))


def evenness(found: list[dict[str, Any]], *, which: str = "ranks", bins: int = N_BINS) -> pd.DataFrame:
    """Chi-square and excursion of the ranks of each quantity, with p-values; one row a quantity."""
    from scipy.stats import chi2

    rows = []
    told = [one[which] for one in found if which in one]
    names = dict.fromkeys(name for one in told for name in one)
    for name in names:
        ranks = np.array([one[name] for one in told if name in one])
        count = np.bincount(ranks * bins // (N_RANKED + 1), minlength=bins)
        statistic = ((count - len(ranks) / bins) ** 2).sum() / (len(ranks) / bins)
        rows.append(
            {
                "quantity": name,
                "n": len(ranks),
                "chi_square": statistic,
                "p": chi2.sf(statistic, bins - 1),
                "p_excursion": _excursion_p(count),
                "mean_rank": ranks.mean() / N_RANKED,
            }
        )
    return pd.DataFrame(rows).set_index("quantity")


def _excursion_p(count: np.ndarray) -> float:
    """Share of even ranks whose cumulative counts are at some point as unlikely as these."""
    null = _null_excursions(int(count.sum()), len(count))
    return float((1 + (null <= _excursion(count[None])[0] * (1 + 1e-9)).sum()) / (1 + len(null)))


@cache
def _null_excursions(n: int, bins: int, simulations: int = 100_000) -> np.ndarray:
    rng = np.random.default_rng(n)
    return _excursion(rng.multinomial(n, np.full(bins, 1 / bins), simulations))


def _excursion(count: np.ndarray) -> np.ndarray:
    """Smallest tail probability of the cumulative counts, shape (rows,)."""
    from scipy.stats import binom

    n, bins = int(count[0].sum()), count.shape[1]
    at = np.arange(1, bins) / bins
    each = np.arange(n + 1)[:, None]
    tail = np.minimum(binom.cdf(each, n, at), binom.sf(each - 1, n, at))  # (counts, points)
    return np.asarray(tail[np.cumsum(count, axis=1)[:, :-1], np.arange(bins - 1)].min(axis=1))


def is_even(table: pd.DataFrame, *, level: float = 0.01) -> bool:
    """Whether neither test refuses, at the level for all quantities together."""
    return bool(min(table["p"].min(), table["p_excursion"].min()) >= level / len(table))


def calibration(n: int, *, nuts: bool = False, n_cases: int = 120, jobs: int = 1) -> list[dict[str, Any]]:
    """Calibration of both definitions, told line by line; refused clinics are tried by NUTS, a few of them."""
    results = []
    for name in ("core", "frailty"):
        samplers: list[tuple[Sampler, int]] = [("nested", n), *([("nuts", 100)] if nuts else [])]
        for sampler, how_many in samplers:
            found = replications(name, n=how_many, n_cases=n_cases, sampler=sampler, jobs=jobs)
            refused = [one for one in found if "refused" in one]
            table, sure = evenness(found), evenness(found, which="sure")
            result = {
                "calibration": name,
                "sampler": sampler,
                "replications": how_many,
                "refused": len(refused),
                "refused_by_khat": sum(
                    "k-hat 0.7" in o["refused"] or "k-hat 0.8" in o["refused"] for o in refused
                ),
                "nobody_ended": sum(one["nobody_ended"] for one in found),
                "quantities": len(table),
                "smallest_p": float(min(table["p"].min(), table["p_excursion"].min())),
                "even": is_even(table),
                "surer_is_even": is_even(sure),
            }
            if sampler == "nested" and refused:
                again = [replicate(name, n_cases, one["seed"], "nuts") for one in refused[:5]]
                ranks = [rank for one in again for rank in one.get("ranks", {}).values()]
                result["refused_by_nuts_mean_rank"] = float(np.mean(ranks)) / N_RANKED if ranks else None
            results.append(result)
            print(result)
            print(table.round(3).to_string(), end="\n\n")
    return results


def coverage(clinics: int, n_cases: int, *, jobs: int = 1, operators: int = 4) -> dict[str, Any]:
    """80% forecast intervals of the Bayesian `core` on fresh clinics, for operators that no clinic has seen.

    The truth is drawn from the stated law: operators' effects are independent an end, and patients' are averaged. The
    column of the truth under the average operator is a narrower thing, held by intervals with operators averaged
    within each draw.
    """
    work = (delayed(_covered)(seed, n_cases, operators) for seed in range(1, clinics + 1))
    found = np.array(Parallel(n_jobs=jobs)(work))  # (clinics, 2)
    error = found.std(axis=0, ddof=1) / np.sqrt(len(found))
    result = {
        "coverage_of_80": float(found[:, 0].mean()),
        "error": float(error[0]),
        "average_operator": float(found[:, 1].mean()),
        "average_operator_error": float(error[1]),
        "clinics": clinics,
        "within": bool(0.77 <= found[:, 0].mean() <= 0.83),
    }
    print(result)
    return result


def _covered(seed: int, n_cases: int, operators: int) -> tuple[float, float]:
    from retreat.features import features
    from retreat.fitting.bayes import fit_posterior
    from retreat.tables import as_cases
    from synthetic import known, scenario

    clinic = synthetic.make("known_clustered", seed=seed, cases=n_cases, truth=False)
    table = design(pd.DataFrame(clinic.cases), read_definition("core"))
    posterior = fit_posterior(table, seed=seed).thinned(1000)
    new = synthetic.make("known_clustered", seed=10**6, cases=N_NEW)
    cases = as_cases(pd.DataFrame(new.cases))
    X = table.coding.encode(features(cases, table.definition.features), n_cases=N_NEW)
    law = scenario.load("known_clustered").known
    rng = np.random.default_rng([seed, 9])
    level = np.zeros(N_NEW, dtype=np.intp)
    draws, averaged, inside = [], 0.0, []
    for number in range(operators):
        one = kernel.pmf(posterior.parameters(seed=number), X, level, horizon=3, link="logit").cumsum(axis=3)
        averaged = averaged + one / operators
        draws.append(one)
    low, high = np.quantile(np.concatenate(draws), [0.1, 0.9], axis=0)
    for _ in range(operators):
        eta = known.linear_predictor(law, X, 3) + (rng.normal(size=2) * law.operator_sd)[:, None]
        true = known._averaged(eta, law.patient_sd)
        inside.append(((low <= true) & (true <= high)).mean())
    told = np.array(
        [[new.truth[f"{end}_{k}_new_operator"] for k in (1, 2, 3)] for end in table.definition.ends]
    )
    told = told.transpose(2, 0, 1)
    a, b = np.quantile(averaged, [0.1, 0.9], axis=0)
    return float(np.mean(inside)), float(((a <= told) & (told <= b)).mean())
