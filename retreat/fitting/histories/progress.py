"""A model whose forecasts take in what each session did: the state model, joined to a model of the same cases."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.fitting.bayes import sampled
from retreat.fitting.bayes_gates import Gates, assess
from retreat.fitting.design import Design
from retreat.fitting.histories.sessions import Sessions, lay_out
from retreat.fitting.histories.state_model import SAVED, build
from retreat.model.fitted import Model
from retreat.model.history.progress import Progress, pack
from retreat.model.history.records import Records

FloatArray = NDArray[np.float64]

# of 5,000 draws of two chains some 750 of the slowest numbers are effective on a clinic of 2,000 cases
DRAWS = 2500
TUNE = 700
_TARGET_ACCEPT, _TARGET_ACCEPT_AGAIN = 0.95, 0.98
# graded sessions below which how well a session clears cannot be told from how it is graded
_LEAST_GRADED = 100
_LEAST_AGAIN = 30


def with_progress(
    base: Model,
    design: Design,
    records: Records,
    *,
    seed: int,
    draws: int = DRAWS,
    tune: int = TUNE,
    chains: int = 2,
    tries: int = 2,
) -> Model:
    """Join the state model of the same cases to a fitted model.

    Parameters
    ----------
    base : Model
        Fitted to the design; it speaks for eyes of whose sessions nothing is noted.
    design : Design
        The cases.
    records : Records
        What was noted of their sessions, in the order of the design.
    seed : int
        Seed of the chains and of the simulated courses.
    draws, tune, chains : int
        Draws and warm-up steps of each chain, and chains.
    tries : int, 1 or 2
        With 2, failed gates are answered by a second run, twice as long and more careful.

    Raises
    ------
    FitError
        If too few sessions were graded, or too few cases were graded after two.
    """
    history = design.definition.history
    if history is None:
        raise FitError(Fault("definition", f"{design.definition.name} has no history", "a history entry"))
    rows = lay_out(design, records)
    _check_grades(rows)
    trace, gates = _sampled(
        build(rows, history, design.definition.ends),
        seed=seed,
        draws=draws,
        tune=tune,
        chains=chains,
        tries=tries,
    )
    rng = np.random.default_rng([seed, 3])
    kept = trace["posterior"].sizes["draw"] * trace["posterior"].sizes["chain"]
    chosen = np.linspace(0, kept - 1, base.parameters.n_draws).astype(int)
    parameters = _parameters(trace, rows, rng, chosen)
    part = Progress(
        values=pack(parameters),
        n_columns=design.X.shape[1],
        centre=tuple(rows.centre.tolist()),
        energy_centre=rows.energy_centre,
        pulses_centre=rows.pulses_centre,
        seed=seed,
    )
    return replace(base, history=part, card=_card(base, rows, gates))


def _sampled(model: Any, *, seed: int, draws: int, tune: int, chains: int, tries: int) -> tuple[Any, Gates]:
    """Chains with their gates."""
    trace = sampled(
        model, SAVED, seed=seed, draws=draws, tune=tune, chains=chains, target_accept=_TARGET_ACCEPT
    )
    gates = assess(trace)
    if not gates.failures or tries < 2:
        return trace, gates
    trace = sampled(
        model,
        SAVED,
        seed=seed + 1,
        draws=2 * draws,
        tune=2 * tune,
        chains=chains,
        target_accept=_TARGET_ACCEPT_AGAIN,
    )
    return trace, assess(trace)


def _parameters(
    trace: Any, rows: Sessions, rng: np.random.Generator, chosen: NDArray[np.intp]
) -> Mapping[str, FloatArray]:
    posterior = trace["posterior"]
    found = {
        name: np.asarray(posterior[name].to_numpy(), dtype=float).reshape(-1, *posterior[name].shape[2:])[
            chosen
        ]
        for name in SAVED
    }
    n = len(chosen)
    # an operator the model has not seen, one for each draw
    found["clear_operator"] = found.pop("clear_operator_sd") * rng.standard_normal(n)
    spread = found.pop("end_operator_sd")
    found["end_operator"] = spread * rng.standard_normal(spread.shape)
    found["fragments"] = _moves(rows.moves, n, rng)
    return found


def _moves(counts: FloatArray, n: int, rng: np.random.Generator) -> FloatArray:
    """Draws of where fragments go from each count before, rows drawn to their mean by three sessions' worth."""
    if not counts.sum():  # never noted: the fit knew of none, nor must the forecast
        return np.broadcast_to(np.array([1.0, 0.0, 0.0]), (n, 4, 3)).copy()
    pooled = (1.0 + counts.sum(axis=0)) / (3.0 + counts.sum())
    return np.stack([rng.dirichlet(3.0 * pooled + row, size=n) for row in counts], axis=1)


def _check_grades(rows: Sessions) -> None:
    graded = np.isfinite(rows.cleared)
    found = (
        ("cleared", "sessions were graded", int(graded.sum()), _LEAST_GRADED),
        (
            "cleared",
            "second or later sessions were graded",
            int((graded & (rows.session > 0)).sum()),
            _LEAST_AGAIN,
        ),
        ("bother", "sessions have a rating of bother", int(np.isfinite(rows.bother).sum()), _LEAST_GRADED),
    )
    fix = "record more sessions, or fit landmark or core"
    faults = [
        Fault(name, f"{n} {words}", f"at least {least}", fix) for name, words, n, least in found if n < least
    ]
    if faults:
        raise FitError(faults)


def _card(base: Model, rows: Sessions, gates: Gates) -> Any:
    graded = int(np.isfinite(rows.cleared).sum())
    note = (
        f"{graded} of {len(rows.cleared)} sessions were graded; eyes of whose sessions nothing is noted are forecast "
        "from their features and the number of sessions alone"
    )
    return replace(
        base.card,
        failures=(*base.card.failures, *(f"state model: {failure}" for failure in gates.failures)),
        notes=(*base.card.notes, note),
        diagnostics={
            **base.card.diagnostics,
            **{f"history_{name}": value for name, value in gates.to_diagnostics().items()},
        },
    )
