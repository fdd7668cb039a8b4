"""`retreat.published`: a model from a definition's priors and published averages alone."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from retreat.coding import learn
from retreat.definitions import LAST_SESSION, Definition, read_definition
from retreat.errors import Fault, FitError
from retreat.fitting.arguments import check_draws, is_whole
from retreat.fitting.published.eyes import case_mix, last_session, spread_columns, supported, typical_columns
from retreat.fitting.published.importance import Weighted, sample
from retreat.fitting.published.likelihood import log_likelihood
from retreat.fitting.published.unknowns import Levels, Unknowns
from retreat.fitting.published.weight import own_cases
from retreat.model import Model, ModelCard
from retreat.model.kernel import Parameters, pmf
from retreat.version import VERSION

FloatArray = NDArray[np.float64]

DRAWS = 2000
# draws of the last round of the importance sampling
_WEIGHTED_DRAWS = 12_000
# sessions with an effect of their own: beyond those that results speak of, so that ranges widen there
_SESSIONS = 8
# the weight of the averages is told of relief by this session
_BY_SESSION = 2

FROM_AVERAGES = "These numbers come from published averages of other clinics, not from eyes treated here."
# what a reader of every forecast must know of how the averages were read
NOTES = (
    "published averages: had so many sessions is read as ended after them in any way, or lost; how many were lost is "
    "not told and left wide",
    "practices differ in relief and in stopping: ranges are those of a practice not seen before",
    "means told per patient may add up two eyes: they are read as of 1 to 1.5 eyes each",
    "surgery after the laser is read as the least that was stopped, no improvement as never relieved",
    "sizes and depths of published eyes are our judgement, four eyes standing for each kind: no report tells them",
    "eyes of one patient are not told apart: shares are averages over patients",
)


def published(
    definition: str | Path | Definition = "published", *, seed: int = 1, draws: int = DRAWS
) -> Model:
    """Model of a definition informed by its published averages, without any case of one's own.

    The hazards of an average practice have the priors of the definition; the levels of relief and of stopping in a
    practice are normal around it with half-normal spreads. Each study is likely as a binomial share, a bound of
    one, or a normal mean of what the hazards of its practice say of eyes of its kinds. The posterior is taken by
    importance sampling from a normal learned in rounds, Pareto smoothed; the level of relief of each practice is
    averaged over. Draws are of a practice not seen before: its levels are `parameters.operator_effect`.

    Parameters
    ----------
    definition : str, Path or Definition
        A definition with studies.
    seed : int, from 0
        Seed of everything random.
    draws : int, 100 to 20000
        How many draws to keep.

    Returns
    -------
    Model
        With no cases: `card.basis` says what it rests on and how much that weighs.

    Raises
    ------
    DefinitionError
        If the definition is refused.
    FitError
        If it has no studies, or an argument is out of range.

    Examples
    --------
    >>> model = published()
    >>> model.card.n_cases, model.card.basis[0]
    (0, 'These numbers come from published averages of other clinics, not from eyes treated here.')
    """
    chosen = read_definition(definition)
    _check(chosen, seed)
    check_draws(draws)
    rng = np.random.default_rng(int(seed))
    coding = learn(chosen.terms, {})
    unknowns = Unknowns(chosen, coding, _SESSIONS)
    eyes, typical = spread_columns(chosen, coding), typical_columns(chosen, coding)

    def likely(z: FloatArray) -> FloatArray:
        return log_likelihood(unknowns.levels(z), chosen.studies, eyes)

    found = sample(likely, unknowns.dimension, draws=max(_WEIGHTED_DRAWS, draws), rng=rng)
    parameters = _of_new_practice(unknowns.levels(found.resampled(draws, rng)), rng)
    without = _of_new_practice(unknowns.levels(rng.standard_normal((draws, unknowns.dimension))), rng)
    weights = _weights(parameters, typical), _weights(without, typical)
    return Model(
        card=_card(chosen, int(seed), found, *weights),
        coding=coding,
        link=chosen.link,
        parameters=parameters,
        strata=(),
        stratum_feature="",
        case_mix=case_mix(chosen),
        support=supported(chosen),
    )


def _of_new_practice(levels: Levels, rng: np.random.Generator) -> Parameters:
    """Parameters of a practice not seen before for each draw."""
    draws, ends, _ = levels.session_effects.shape
    level = levels.between_sd * rng.standard_normal((draws, ends))
    return Parameters(
        coefficients=levels.coefficients,
        session_effects=levels.session_effects[:, None],
        operator_effect=level,
        patient_loading=np.zeros((draws, ends)),
    )


def _weights(parameters: Parameters, columns: Mapping[str, FloatArray]) -> Mapping[str, float]:
    """Own cases of each kind that the draws weigh, by relief after two sessions."""
    X = np.stack(list(columns.values()))
    relieved = pmf(parameters, X, np.zeros(len(X), dtype=np.intp), horizon=_BY_SESSION, link="logit")[:, :, 0]
    return {kind: own_cases(relieved[:, i].sum(axis=-1)) for i, kind in enumerate(columns)}


def _card(
    definition: Definition,
    seed: int,
    found: Weighted,
    weights: Mapping[str, float],
    without: Mapping[str, float],
) -> ModelCard:
    from datetime import UTC, datetime

    last = last_session(definition)
    return ModelCard(
        name=definition.name,
        title=definition.title,
        method="published averages of other practices, importance sampling",
        ends=definition.ends,
        retreat_version=VERSION,
        created=datetime.now(UTC).date().isoformat(),
        n_cases=0,
        n_patients=0,
        n_left_out=0,
        n_ended=dict.fromkeys(definition.ends, 0),
        max_session=last,
        supported_session=last,
        last_session=LAST_SESSION[definition.outcome] or 0,
        years=(),
        seed=seed,
        invented=False,
        failures=found.failures,
        notes=(*NOTES, _rows(definition)),
        diagnostics={
            "pareto_k": found.pareto_k,
            "effective_draws": found.ess,
            **{f"own_cases_{kind}": weight for kind, weight in weights.items()},
            **{f"own_cases_{kind}_without_studies": weight for kind, weight in without.items()},
            **{f"own_cases_{kind}_of_studies": weights[kind] - weight for kind, weight in without.items()},
        },
        definition_fingerprint=definition.fingerprint,
        basis=basis(definition, weights, without),
    )


def basis(
    definition: Definition, weights: Mapping[str, float], without: Mapping[str, float]
) -> tuple[str, ...]:
    """What a model of published averages says of itself on every output.

    Parameters
    ----------
    definition : Definition
        With studies.
    weights, without : mapping of str to float
        Own cases that priors and averages weigh together, and that priors weigh alone, by kind of opacity.

    Returns
    -------
    tuple of str
        That there are no own cases; which results by author and year; how much they weigh.

    Examples
    --------
    >>> print(basis(read_definition("published"), {"ring": 4.2}, {"ring": 3.6})[2])
    For a ring, priors and averages together weigh as much as 4 eyes treated here would; the averages add less than 1.
    """
    sources = ", ".join(dict.fromkeys(study.practice for study in definition.studies))
    first, weight = next(iter(weights.items()))
    return (
        FROM_AVERAGES,
        f"Built from: {sources}.",
        f"For a {first}, priors and averages together weigh {_as_eyes(weight)} treated here would; "
        f"the averages add {_as_added(weight - without[first])}.",
    )


def _as_eyes(weight: float) -> str:
    if weight < 1.0:
        return "less than 1 eye"
    return "as much as 1 eye" if round(weight) == 1 else f"as much as {weight:.0f} eyes"


def _as_added(weight: float) -> str:
    return "less than 1" if weight < 1.0 else f"{weight:.0f}"


def _rows(definition: Definition) -> str:
    told = (f"{study.practice} {', '.join(study.ids)}" for study in definition.studies)
    return f"published results by their rows in the definition: {'; '.join(told)}"


def _check(definition: Definition, seed: object) -> None:
    faults = []
    if not definition.studies:
        fix = "name one with [[studies]], such as published, or fit it to cases"
        faults.append(Fault("definition", f"{definition.name} has no studies", "published averages", fix))
    if not is_whole(seed) or seed < 0:
        faults.append(Fault("seed", f"{seed!r}", "a whole number from 0"))
    if faults:
        raise FitError(faults)
