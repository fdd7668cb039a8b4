"""The Bayesian route of `retreat.fit`: the hazard of a definition sampled, gated, and turned into a model."""

from __future__ import annotations

import logging
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.fitting.bayes_gates import Gates, assess
from retreat.fitting.bayes_model import build, has_operator_effect, has_patient_effect, parameters
from retreat.fitting.design import Design
from retreat.fitting.layout import pooled_sessions
from retreat.model.fitted import Model
from retreat.model.kernel import Parameters

FloatArray = NDArray[np.float64]

# draws a chain: 1,000 leave the spread between patients with fewer than 400 effective draws on clinics of 900
DRAWS = 1500
# draws a saved model keeps, evenly over chains
KEPT = 2000
# at 0.9 a clinic of 1,000 cases with four operators showed 1 to 8 divergences in each of 6 runs, at 0.95 none in 36
_TARGET_ACCEPT = 0.95
_TARGET_ACCEPT_AGAIN = 0.98


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
    gates = assess(trace)
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
    return BayesFit(design, trace, assess(trace), 2)


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
    """Write the posterior and its sampling record as netCDF, without any operator's or patient's own effect.

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
    tree["posterior"] = posterior.drop_dims([d for d in ("operator", "patient") if d in posterior.dims])
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

    with ExitStack() as stack:
        stack.enter_context(model)
        stack.enter_context(_quiet())
        # the matrices are small: threads of the linear algebra would only wait for each other
        stack.enter_context(threadpool_limits(1))
        if sys.stderr.isatty():
            # the bar goes to where its reader is; standard output may be a file or another program
            stack.enter_context(redirect_stdout(sys.stderr))
        trace = pm.sample(
            draws=draws,
            tune=tune,
            chains=chains,
            cores=min(chains, 2),
            random_seed=seed,
            nuts={"target_accept": target_accept},
            nuts_sampler="nutpie",
            var_names=parameters(model),
            progressbar=sys.stderr.isatty(),
            compute_convergence_checks=False,
        )
    # nutpie keeps every free variable whatever is asked for; PyMC adds groups of data
    trace["posterior"] = trace["posterior"].to_dataset()[parameters(model)]
    for group in set(trace.children) - {"posterior", "sample_stats"}:
        del trace[group]
    return trace


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


def _flat(values: Any) -> FloatArray:
    """Draws of all chains in one row, shape (draws, ...)."""
    array = np.asarray(values.to_numpy(), dtype=float)  # (chains, draws, ...)
    return array.reshape(-1, *array.shape[2:])


def _notes(design: Design, fit: BayesFit) -> tuple[str, ...]:
    notes = []
    if design.n_operators == 1:
        notes.append("one operator: the model cannot say how another would fare")
    elif not has_operator_effect(design):
        notes.append("operators are not told apart by this definition")
    if design.definition.groups.patient is not None and not has_patient_effect(design):
        notes.append("no patient has two cases: how alike the cases of one patient are is left out")
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
    sessions = design.definition.sessions
    if sessions.effect != "free" and sessions.step is None:
        faults.append(
            Fault("sessions.step", "missing", f"a prior scale for {sessions.effect} session effects")
        )
    if not (design.ending > 0).any():
        faults.append(Fault("ending", "no case has ended", "at least one ended case", "wait for ends"))
    if faults:
        raise FitError(faults)
