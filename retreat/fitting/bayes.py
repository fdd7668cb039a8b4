"""The Bayesian route of `retreat.fit`: the hazard of a definition sampled, gated, and turned into a model."""

from __future__ import annotations

import logging
import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, redirect_stdout
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.fitting.arguments import choice_fault
from retreat.fitting.bayes_gates import Gates, assess
from retreat.fitting.bayes_model import build, parameters
from retreat.fitting.design import Design
from retreat.fitting.groups import has_never_share, has_operator_effect, has_patient_effect
from retreat.fitting.nested.courses import lay_out
from retreat.fitting.nested.fit import NotUsableError, fit_nested, obstacle
from retreat.fitting.nested.prior import definition_prior
from retreat.fitting.posterior import Posterior
from retreat.model.fitted import Model

FloatArray = NDArray[np.float64]
Choice = Literal["auto", "nuts"]

# draws a chain: 1,000 leave the spread between patients with fewer than 400 effective draws on clinics of 900
DRAWS = 1500
# draws a saved model keeps, evenly over chains
KEPT = 2000
NEVER_WORDS = (
    "some patients are taken never to respond: such a share is hard to tell from a low chance at each session, so it "
    "hangs on its prior, most of all where courses are short"
)
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
    prior_scale : float
        What multiplied the prior standard deviations.
    """

    design: Design
    trace: Any
    gates: Gates
    n_tries: int
    prior_scale: float


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
    trace = sampled(
        model,
        parameters(model),
        seed=seed,
        draws=draws,
        tune=tune,
        chains=chains,
        target_accept=_TARGET_ACCEPT,
    )
    gates = assess(trace)
    if not gates.failures:
        return BayesFit(design, trace, gates, 1, prior_scale)
    trace = sampled(
        model,
        parameters(model),
        seed=seed + 1,
        draws=2 * draws,
        tune=2 * tune,
        chains=chains,
        target_accept=_TARGET_ACCEPT_AGAIN,
    )
    return BayesFit(design, trace, assess(trace), 2, prior_scale)


def fit_posterior(
    design: Design,
    *,
    seed: int,
    sampler: Choice = "auto",
    draws: int = DRAWS,
    tune: int = 1000,
    chains: int = 4,
    prior_scale: float = 1.0,
) -> Posterior:
    """Posterior of a design: the fast one where it passes its checks, else by NUTS.

    Parameters
    ----------
    design : Design
        Cases and definition.
    seed : int
        Seed of everything random.
    sampler : {"auto", "nuts"}
        ``"auto"`` takes nested normals with importance weights where k-hat is below 0.7 and at least 1,000 effective
        draws are left, and says so where NUTS had to take over; ``"nuts"`` forces the chains.
    draws, tune, chains : int
        Of the chains, where they run.
    prior_scale : float, above 0
        Multiplies the prior standard deviations of coefficients and first session.

    Raises
    ------
    FitError
        As for :func:`fit_bayes`.
    """
    if fault := choice_fault("sampler", sampler, ("auto", "nuts")):
        raise FitError(fault)
    _check(design, draws=draws, tune=tune, chains=chains, prior_scale=prior_scale)
    why = ""
    if sampler == "auto":
        why = f"the fast posterior does not know {obstacle(design)}" if obstacle(design) else ""
        if not why:
            try:
                return with_notes(fit_nested(design, seed=seed, prior_scale=prior_scale))
            except NotUsableError as error:
                why = f"the fast posterior did not pass its checks: {error}"
    fit = fit_bayes(design, seed=seed, draws=draws, tune=tune, chains=chains, prior_scale=prior_scale)
    return posterior_of(fit, note=f"sampled by NUTS, since {why}" if why else "")


def bayes_model(
    design: Design,
    *,
    seed: int,
    sampler: Choice = "auto",
    draws: int = DRAWS,
    tune: int = 1000,
    chains: int = 4,
) -> Model:
    """Model from a posterior; one by NUTS that fails its gates twice is marked not for counselling.

    Parameters
    ----------
    design, seed, sampler, draws, tune, chains
        As for :func:`fit_posterior`.
    """
    return posterior_model(
        fit_posterior(design, seed=seed, sampler=sampler, draws=draws, tune=tune, chains=chains), seed=seed
    )


def posterior_of(fit: BayesFit, *, note: str = "") -> Posterior:
    """Posterior of chains.

    Parameters
    ----------
    fit : BayesFit
        From :func:`fit_bayes`.
    note : str
        What a reader should know of why chains were run.
    """
    design, trace = fit.design, fit.trace["posterior"]
    sessions = _flat(trace["session_effects"])  # (draws, ends, session effects)
    n, K = len(sessions), design.n_ends

    def found(name: str, shape: tuple[int, ...]) -> FloatArray:
        return _flat(trace[name]) if name in trace else np.zeros((n, *shape))

    coefficients = found("coefficients", (K, 0))
    operator = found("operator_effect", (K, 0))
    step_sd, operator_sd = found("step_sd", (0,)), found("operator_sd", (0,))
    loading, never = found("patient_loading", (K,)), found("never", ())
    courses = lay_out(design)
    prior = definition_prior(design, courses, prior_scale=fit.prior_scale)
    columns = np.concatenate([coefficients, operator], axis=2)
    point = np.concatenate([columns.reshape(n, -1), sessions.reshape(n, -1)], axis=1)
    line = [np.log(step_sd), np.log(operator_sd)]
    line += [loading] if has_patient_effect(design) else []
    line += [np.sqrt(never)[:, None]] if has_never_share(design) else []
    return with_notes(
        Posterior(
            design=design,
            coefficients=coefficients,
            effects=sessions,
            step_sd=step_sd,
            operator_sd=operator_sd,
            operator_effect=operator,
            patient_loading=loading,
            never=never,
            log_prior=prior.log_density(point, np.concatenate(line, axis=1)),
            sampler="nuts",
            n_chains=int(fit.trace["posterior"].sizes["chain"]),
            failures=fit.gates.failures,
            notes=(
                *([note] if note else []),
                *(
                    ["a first run failed its checks and was repeated at twice the length"]
                    if fit.n_tries > 1
                    else []
                ),
            ),
            diagnostics={**fit.gates.to_diagnostics(), "runs": float(fit.n_tries), "draws": float(n)},
        )
    )


def posterior_model(posterior: Posterior, *, seed: int) -> Model:
    """Model of a posterior: at most 2,000 draws, and one operator the model has not seen for each of them.

    Parameters
    ----------
    posterior : Posterior
        From :func:`fit_posterior`.
    seed : int
        Seed of the unseen operators.
    """
    design = posterior.design
    words = {"nested": "nested normals with importance weights", "nuts": "NUTS"}[posterior.sampler]
    return Model(
        card=design.card(
            method=f"Bayesian hazard, {words}",
            seed=seed,
            failures=posterior.failures,
            notes=posterior.notes,
            diagnostics=posterior.diagnostics,
        ),
        coding=design.coding,
        link=design.definition.link,
        parameters=posterior.thinned(KEPT).parameters(seed=seed),
        strata=(),
        stratum_feature="",
        case_mix=design.case_mix(),
        support=design.support(),
    )


def with_notes(posterior: Posterior) -> Posterior:
    """The posterior with what its design could not tell."""
    design = posterior.design
    notes = []
    if design.n_operators == 1:
        notes.append("one operator: the model cannot say how another would fare")
    elif not has_operator_effect(design):
        notes.append("operators are not told apart by this definition")
    if design.definition.groups.patient is not None and not has_patient_effect(design):
        notes.append("no patient has two cases: how alike the cases of one patient are is left out")
    if has_never_share(design):
        notes.append(NEVER_WORDS)
    return replace(posterior, notes=(*notes, *posterior.notes))


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


def sampled(
    model: Any,
    names: Sequence[str],
    *,
    seed: int,
    draws: int,
    tune: int,
    chains: int,
    target_accept: float,
) -> Any:
    """Chains of a PyMC model by NUTS, one core and one seed a chain; `names` are kept.

    Returns
    -------
    DataTree
        ArviZ groups `posterior` and `sample_stats`.
    """
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
            var_names=list(names),
            progressbar=sys.stderr.isatty(),
            compute_convergence_checks=False,
        )
    # nutpie keeps every free variable whatever is asked for; PyMC adds groups of data
    trace["posterior"] = trace["posterior"].to_dataset()[list(names)]
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
