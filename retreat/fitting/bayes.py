"""The Bayesian route of `retreat.fit`: the hazard of a definition sampled, gated, and turned into a model."""

from __future__ import annotations

import logging
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.fitting.bayes_gates import Gates, assess
from retreat.fitting.bayes_model import build, has_operator_effect, has_patient_effect
from retreat.fitting.design import Design
from retreat.fitting.layout import pooled_sessions
from retreat.model.fitted import Model
from retreat.model.kernel import Parameters

FloatArray = NDArray[np.float64]

# draws a chain: 1,000 leave the spread between patients with fewer than 400 effective draws on clinics of 900
DRAWS = 1500
# draws a saved model keeps, evenly over chains
KEPT = 2000
_TARGET_ACCEPT = 0.9
_TARGET_ACCEPT_AGAIN = 0.97


@dataclass(frozen=True)
class BayesFit:
    """A posterior with its gates.

    Parameters
    ----------
    design : Design
        What was fitted.
    trace : DataTree
        ArviZ groups `posterior` and `sample_stats`.
    gates : Gates
        Diagnostics of the last run.
    n_tries : int
        1, or 2 after a longer run.
    """

    design: Design
    trace: Any
    gates: Gates
    n_tries: int


def fit_bayes(
    design: Design,
    *,
    seed: int,
    draws: int = DRAWS,
    tune: int = 1000,
    chains: int = 4,
    prior_scale: float = 1.0,
) -> BayesFit:
    """Sample the posterior by NUTS; a failed gate is answered once with a run twice as long.

    Parameters
    ----------
    design : Design
        Cases and definition.
    seed : int
        Seed of the chains.
    draws, tune : int
        Kept and warm-up draws a chain.
    chains : int, at least 2
        Chains.
    prior_scale : float, above 0
        Multiplies the prior standard deviations of coefficients and first session.

    Raises
    ------
    FitError
        If nobody ended, a number is out of range, or the definition asks for another link than logit.
    """
    _check(design, draws=draws, tune=tune, chains=chains, prior_scale=prior_scale)
    model = build(design, prior_scale=prior_scale)
    trace = _sample(model, seed=seed, draws=draws, tune=tune, chains=chains, target_accept=_TARGET_ACCEPT)
    gates = assess(trace, _names(design))
    if not gates.failures:
        return BayesFit(design, trace, gates, 1)
    trace = _sample(
        model,
        seed=seed + 1,
        draws=2 * draws,
        tune=2 * tune,
        chains=chains,
        target_accept=_TARGET_ACCEPT_AGAIN,
    )
    return BayesFit(design, trace, assess(trace, _names(design)), 2)


def bayes_model(design: Design, *, seed: int, draws: int = DRAWS, tune: int = 1000, chains: int = 4) -> Model:
    """Model from a posterior; one that fails its gates twice is marked not for counselling.

    Parameters
    ----------
    design, seed, draws, tune, chains
        As for :func:`fit_bayes`.
    """
    return model_of(fit_bayes(design, seed=seed, draws=draws, tune=tune, chains=chains), seed=seed)


def model_of(fit: BayesFit, *, seed: int) -> Model:
    """Model of a fit: at most 2,000 draws, and one operator the model has not seen for each of them.

    Parameters
    ----------
    fit : BayesFit
        From :func:`fit_bayes`.
    seed : int
        Seed of the unseen operators.
    """
    design = fit.design
    posterior = fit.trace["posterior"]
    sessions = _flat(posterior["session_effects"])  # (draws, ends, session effects)
    n = len(sessions)
    kept = np.linspace(0, n - 1, min(n, KEPT)).astype(int)
    zeros = np.zeros((len(kept), design.n_ends))
    at_risk = np.array(
        [(design.sessions >= k).sum() for k in range(1, int(design.sessions.max()) + 1)], dtype=float
    )
    own = pooled_sessions(at_risk, design.definition.sessions.pool_below)
    coefficients = np.zeros((len(kept), design.n_ends, 0))
    if design.X.shape[1]:
        coefficients = _flat(posterior["coefficients"])[kept]
    operator = zeros
    if has_operator_effect(design):
        spread = _flat(posterior["operator_sd"])[kept]
        operator = np.random.default_rng(seed).standard_normal(spread.shape) * spread
    return Model(
        card=design.card(
            method="Bayesian hazard, NUTS",
            seed=seed,
            failures=fit.gates.failures,
            notes=_notes(design, fit),
            diagnostics={**fit.gates.to_diagnostics(), "runs": float(fit.n_tries), "draws": float(n)},
        ),
        coding=design.coding,
        link=design.definition.link,
        parameters=Parameters(
            coefficients=coefficients,
            session_effects=sessions[kept][:, None][..., own],
            operator_effect=operator,
            patient_sd=_flat(posterior["patient_sd"])[kept] if has_patient_effect(design) else zeros,
        ),
        strata=(),
        stratum_feature="",
        case_mix=design.case_mix(),
        support=design.support(),
    )


def save_trace(fit: BayesFit, path: str | Path) -> None:
    """Write the posterior and its sampling record as netCDF, without any group or patient's own effect.

    Parameters
    ----------
    fit : BayesFit
        From :func:`fit_bayes`.
    path : str or Path
        File to write; written beside and renamed.

    Raises
    ------
    FitError
        If it cannot be written.
    """
    target = Path(path)
    beside = target.with_name(f".{target.name}.part")
    tree = fit.trace.copy()
    posterior = tree["posterior"].to_dataset()
    hidden = ("_raw", "_signed")
    kept = posterior.drop_vars([v for v in posterior.data_vars if str(v).endswith(hidden)])
    used = {dimension for name in kept.data_vars for dimension in kept[name].dims}
    tree["posterior"] = kept.drop_dims([d for d in kept.sizes if d not in used])
    for group in set(tree.children) - {"posterior", "sample_stats"}:
        del tree[group]
    try:
        tree.to_netcdf(beside, engine="h5netcdf")
        beside.replace(target)
    except OSError as error:
        raise FitError(Fault(str(target), f"cannot be written ({error})", "a writable folder")) from None
    finally:
        beside.unlink(missing_ok=True)


def _sample(model: Any, *, seed: int, draws: int, tune: int, chains: int, target_accept: float) -> Any:
    import pymc as pm  # heavy: only a Bayesian fit pays for it
    from threadpoolctl import threadpool_limits

    # the matrices are small: threads of the linear algebra would only wait for each other
    with model, _quiet(), threadpool_limits(1):
        return pm.sample(
            draws=draws,
            tune=tune,
            chains=chains,
            cores=min(chains, 2),
            random_seed=seed,
            target_accept=target_accept,
            nuts_sampler="nutpie",
            progressbar=sys.stderr.isatty(),
            compute_convergence_checks=False,
        )


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the sampler's loggers to errors."""
    loggers = [logging.getLogger(name) for name in ("pymc", "pymc.sampling", "nutpie", "pytensor")]
    levels = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.ERROR)
    try:
        yield
    finally:
        for logger, level in zip(loggers, levels, strict=True):
            logger.setLevel(level)


def _names(design: Design) -> list[str]:
    """Parameters that forecasts use."""
    names = ["session_effects"]
    if design.X.shape[1]:
        names.append("coefficients")
    if has_operator_effect(design):
        names.append("operator_sd")
    if has_patient_effect(design):
        names.append("patient_sd")
    return names


def _flat(values: Any) -> FloatArray:
    """Draws of all chains in one row, shape (draws, ...)."""
    array = np.asarray(values.to_numpy(), dtype=float)  # (chains, draws, ...)
    return array.reshape(-1, *array.shape[2:])


def _notes(design: Design, fit: BayesFit) -> tuple[str, ...]:
    notes = []
    if design.n_operators == 1:
        notes.append("one operator: the model cannot say how another would fare")
    if fit.n_tries > 1:
        notes.append("a first run failed its checks and was repeated at twice the length")
    return tuple(notes)


def _check(design: Design, *, draws: int, tune: int, chains: int, prior_scale: float) -> None:
    faults = [
        Fault(name, f"{value}", f"at least {low}")
        for name, value, low in (("draws", draws, 10), ("tune", tune, 10), ("chains", chains, 2))
        if value < low
    ]
    if not prior_scale > 0:
        faults.append(Fault("prior_scale", f"{prior_scale}", "above 0"))
    if design.definition.link != "logit":
        faults.append(Fault("link", design.definition.link, "logit", "use method='logistic'"))
    if not (design.ending > 0).any():
        faults.append(Fault("ending", "no case has ended", "at least one ended case", "wait for ends"))
    if faults:
        raise FitError(faults)
