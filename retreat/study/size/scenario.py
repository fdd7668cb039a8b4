"""A scenario: who will come, what is true of them, what will be fitted. Assumptions, told on every output."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from retreat.coding import Coding
from retreat.definitions import LAST_SESSION, Definition, read_definition
from retreat.errors import Fault, FitError
from retreat.model.casemix import CaseMix
from retreat.model.kernel import Parameters
from retreat.study.size import mix as eyes
from retreat.study.size.arguments import refuse, whole, within
from retreat.study.size.effect import Effect, effect_faults, typical_faults
from retreat.study.size.truths import mean_of, prior_means

if TYPE_CHECKING:
    from retreat.model import Model

FloatArray = NDArray[np.float64]
Effects = Literal["mean", "drawn"]
Mix = Mapping[str, Mapping[str, float] | tuple[float, ...]]

# our assumptions where nothing is said: eyes a patient, eyes lost after each session, longest course followed
EYES_PER_PATIENT, LOST, MOST_SESSIONS = 1.2, 0.05, 6
# draws of the priors that a study may come upon
_DRAWS = 1000
_MOST_EYES_A_PATIENT, _MOST_LOST = 2.0, 0.9


@dataclass(frozen=True)
class Scenario:
    """What a study will meet.

    Parameters
    ----------
    definition : Definition
        What will be fitted.
    coding : Coding
        Columns; knots are taken as known.
    mix : CaseMix
        Distribution of the features.
    truth : Parameters
        Parameters that hold, axis order (draws, ...): one draw for a single truth; each study meets one of several.
    source : str
        Where they come from, in words.
    eyes_per_patient : float in [1, 2]
        Eyes of the study over its patients.
    lost : float in [0, 0.9]
        Share of eyes in treatment lost after each session.
    most_sessions : int, 1 to 20
        Courses are followed so far, then counted as ongoing.
    typical : mapping of str to str or float
        Features of the typical eye.
    effect : Effect, optional
        Effect to be found; it holds in the truth.
    cautions : tuple of str
        Lines that every output must show first.
    """

    definition: Definition
    coding: Coding
    mix: CaseMix
    truth: Parameters
    source: str
    eyes_per_patient: float
    lost: float
    most_sessions: int
    typical: Mapping[str, str | float]
    effect: Effect | None = None
    cautions: tuple[str, ...] = ()

    @property
    def ends(self) -> tuple[str, ...]:
        """Ways a course can end."""
        return self.definition.ends

    @property
    def place(self) -> tuple[int, int]:
        """End and column of the effect."""
        if self.effect is None:
            raise FitError(Fault("effect", "the scenario names none"))
        return self.ends.index(self.effect.end), self.coding.names.index(self.effect.column)

    def truth_of(self, study: int) -> Parameters:
        """The one draw that a study meets."""
        one = slice(at := study % self.truth.n_draws, at + 1)
        never = self.truth.never
        return Parameters(
            self.truth.coefficients[one],
            self.truth.session_effects[one],
            self.truth.operator_effect[one],
            self.truth.patient_loading[one],
            never[one] if len(never) > 1 else never,
        )

    def columns(self, patient: NDArray[np.int64], rng: np.random.Generator) -> FloatArray:
        """Coded eyes of these patients, shape (eyes, columns)."""
        found = eyes.sampled(self.mix, self.coding.features, patient, rng)
        return self.coding.encode(found, n_cases=len(patient))

    def typical_columns(self) -> FloatArray:
        """Coded typical eye, shape (1, columns)."""
        found = {
            name: np.array([value], dtype=object if isinstance(value, str) else float)
            for name, value in self.typical.items()
        }
        return self.coding.encode(found, n_cases=1)

    def to_json(self) -> dict[str, object]:
        """Assumptions for a program to read."""
        effect = self.effect
        return {
            "definition": self.definition.name,
            "source": self.source,
            "cautions": list(self.cautions),
            "eyes_per_patient": self.eyes_per_patient,
            "lost_after_each_session": self.lost,
            "most_sessions": self.most_sessions,
            "typical_eye": dict(self.typical),
            "case_mix": self.mix.to_json(),
            "effect": None
            if effect is None
            else {"column": effect.column, "end": effect.end, "odds_ratio": effect.odds_ratio},
        }


def of_model(
    model: Model,
    definition: str | Path | Definition | None = None,
    *,
    effects: Effects = "mean",
    mix: Mix | None = None,
    effect: Effect | None = None,
    typical: Mapping[str, str | float] | None = None,
    eyes_per_patient: float = EYES_PER_PATIENT,
    lost: float = LOST,
    most_sessions: int = MOST_SESSIONS,
) -> Scenario:
    """Scenario in which a saved model holds true, met by the definition it was fitted by or another of its columns.

    Parameters
    ----------
    model : Model
        Its case mix and its parameters are taken as true.
    definition : str, Path or Definition, optional
        What will be fitted; default the definition of the model's name. It must code the same columns.
    effects : {"mean", "drawn"}
        Whether one truth holds, the mean of the model's draws, or each study meets one of them.
    mix : mapping, optional
        Features with another distribution: shares of levels, or the numbers that 5, 50 and 95 of 100 lie below.
    effect : Effect, optional
        Effect to be found.
    typical : mapping of str to str or float, optional
        Features of the eye whose chance is to be told precisely, where it is not the most frequent one.
    eyes_per_patient : float in [1, 2]
        Eyes over patients.
    lost : float in [0, 0.9]
        Share of eyes in treatment lost after each session.
    most_sessions : int, 1 to 20
        Courses are followed so far.

    Raises
    ------
    FitError
        If the model failed its gates, is a life table or of other columns, or an argument is out of range.
    """
    from retreat.model.request import check_usable

    check_usable(model.card)
    chosen = _definition(model.card.name if definition is None else definition)
    if model.strata or model.stratum_feature:
        raise FitError(Fault("model", "a life table has no effects", "a regression, such as core"))
    if model.ends != chosen.ends or tuple(model.coding.terms) != tuple(chosen.terms):
        what = f"{model.card.name} has other ends or columns than {chosen.name}"
        raise FitError(Fault("definition", what, "the definition of the model", "name it"))
    if model.link != chosen.link:
        raise FitError(Fault("definition", f"link {chosen.link}", f"{model.link}, that of the model"))
    truth = model.parameters
    source = f"model {model.model_id} ({model.card.name}, {model.card.n_cases} cases)"
    return _scenario(
        chosen,
        model.coding,
        model.case_mix,
        mean_of(truth) if _is_mean(effects) else truth,
        f"{source}, {_WORDS[effects]}",
        mix,
        effect,
        typical,
        eyes_per_patient,
        lost,
        most_sessions,
        model.card.cautions,
    )


def of_definition(
    definition: str | Path | Definition = "core",
    *,
    effects: Effects = "drawn",
    mix: Mix | None = None,
    effect: Effect | None = None,
    typical: Mapping[str, str | float] | None = None,
    eyes_per_patient: float = EYES_PER_PATIENT,
    lost: float = LOST,
    most_sessions: int = MOST_SESSIONS,
    seed: int = 1,
) -> Scenario:
    """Scenario in which the priors of a definition are right, before any case was seen.

    The case mix is that of the eyes published results are about, kind by kind (definition ``published``, with its
    sources); features it does not tell of must be given.

    Parameters
    ----------
    definition : str, Path or Definition
        What will be fitted, and whose priors hold.
    effects : {"mean", "drawn"}
        Whether one truth holds, the prior means, or each study meets one draw of the priors: sizes are then
        averaged over what is not known.
    mix, effect, typical, eyes_per_patient, lost, most_sessions
        As for :func:`of_model`.
    seed : int, from 0
        Seed of the draws of the priors.

    Raises
    ------
    DefinitionError
        If the definition is refused.
    FitError
        If it has no priors or a history, a feature has no distribution, or an argument is out of range.

    Examples
    --------
    >>> scenario = of_definition("core", effect=Effect("corneal_surgery=yes", "relieved", 0.5))
    >>> scenario.typical["opacity"], scenario.truth.n_draws
    ('ring', 1000)
    """
    from retreat.fitting.prior_draws import prior_draws, refuse_without_priors, stated_coding
    from retreat.fitting.published.eyes import case_mix

    chosen = _definition(definition)
    refuse_without_priors(chosen)
    refuse(whole("seed", seed, low=0), whole("most_sessions", most_sessions, low=1, high=20))
    coding = stated_coding(chosen)
    if _is_mean(effects):
        truth = prior_means(chosen, coding, most_sessions)
    else:
        truth = prior_draws(chosen, coding, draws=_DRAWS, sessions=most_sessions, seed=seed)
    published = case_mix(read_definition("published"))
    return _scenario(
        chosen,
        coding,
        published,
        truth,
        f"priors of {chosen.name}, {_WORDS[effects]}; eyes as published",
        mix,
        effect,
        typical,
        eyes_per_patient,
        lost,
        most_sessions,
        (chosen.basis,) if chosen.basis else (),
    )


def scenario_of(given: Scenario | Model | Definition | str | Path) -> Scenario:
    """A scenario as it is; a definition, its name or a model with the defaults of theirs.

    Parameters
    ----------
    given : Scenario, Model, Definition, str or Path
        A name or path is that of a definition.

    Raises
    ------
    FitError
        If it is none of these, or the definition or model is refused.

    Examples
    --------
    >>> scenario_of("core").definition.name
    'core'
    """
    from retreat.model import Model

    if isinstance(given, Scenario):
        return given
    if isinstance(given, Model):
        return of_model(given)
    if isinstance(given, str | Path | Definition):
        return of_definition(given)
    raise FitError(
        Fault(
            "scenario",
            f"a {type(given).__name__} is none",
            "a scenario, a definition or its name, a model",
            "take retreat.study.size.of_definition or of_model",
        )
    )


_WORDS: Mapping[str, str] = {"mean": "one truth, their mean", "drawn": "each study meets one draw"}


def _is_mean(effects: str) -> bool:
    if effects not in _WORDS:
        raise FitError(Fault("effects", f"{effects!r}", "'mean', 'drawn'"))
    return effects == "mean"


def _definition(definition: str | Path | Definition) -> Definition:
    chosen = read_definition(definition)
    if chosen.history is not None or chosen.strata:
        what = f"{chosen.name} has a history of visits or is a life table"
        raise FitError(Fault("definition", what, "a regression on case features, such as core"))
    return chosen


def _scenario(
    definition: Definition,
    coding: Coding,
    mix: CaseMix,
    truth: Parameters,
    source: str,
    given: Mix | None,
    effect: Effect | None,
    typical: Mapping[str, str | float] | None,
    eyes_per_patient: float,
    lost: float,
    most_sessions: int,
    cautions: tuple[str, ...],
) -> Scenario:
    last = LAST_SESSION[definition.outcome]
    full = eyes.with_given(mix, given or {})
    faults = [
        Fault(
            f"mix, {name}", "its distribution is not known", "shares or three numbers", "give it in the mix"
        )
        for name in coding.features
        if name not in eyes.known(full)
    ]
    refuse(
        *faults,
        within("eyes_per_patient", eyes_per_patient, 1.0, _MOST_EYES_A_PATIENT),
        within("lost", lost, 0.0, _MOST_LOST),
        whole("most_sessions", most_sessions, low=1, high=20),
        *effect_faults(effect, definition, coding),
    )
    usual = eyes.typical(full, coding.features)
    refuse(*typical_faults(typical or {}, usual, coding))
    scenario = Scenario(
        definition,
        coding,
        full,
        truth,
        source,
        float(eyes_per_patient),
        float(lost),
        most_sessions if last is None else min(most_sessions, last),
        {**usual, **(typical or {})},
        effect,
        cautions,
    )
    scenario.typical_columns()  # refuses a level that the coding does not know
    if effect is None:
        return scenario
    end, column = scenario.place
    coefficients = truth.coefficients.copy()
    coefficients[:, end, column] = np.log(effect.odds_ratio)
    return replace(scenario, truth=replace(truth, coefficients=coefficients))
