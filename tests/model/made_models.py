"""Models made by hand for the tests: random parameters over invented cases, for any definition."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

import retreat
import synthetic
from retreat import coding
from retreat.definitions import LAST_SESSION, Definition, read_definition
from retreat.features import LEVELS, features
from retreat.hazard import Link
from retreat.model import Model, ModelCard, casemix, support
from retreat.model.kernel import Parameters

N_DISTINCT = 337  # cases of the fitted model: no array of a saved file may have this length


def invented_cases(n: int, seed: int = 1) -> dict[str, np.ndarray]:
    """Invented columns of n cases, nothing missing."""
    rng = np.random.default_rng(seed)
    columns = {name: np.array(rng.choice(levels, n), dtype=object) for name, levels in LEVELS.items()}
    return columns | {
        "size_mm": rng.uniform(0.5, 9.0, n),
        "lens_gap_mm": rng.uniform(1.0, 7.0, n),
        "retina_gap_mm": rng.uniform(1.0, 7.0, n),
        "eccentricity_deg": rng.uniform(0.0, 30.0, n),
        "sphere_d": rng.uniform(-9.0, 4.0, n),
        "axial_mm": rng.uniform(23.0, 28.0, n),
        "pupil_mm": rng.uniform(5.0, 9.0, n),
        "age": rng.uniform(30.0, 85.0, n),
        "relief_before": rng.uniform(0.0, 10.0, n),
    }


def card_of(definition: Definition, **changes: Any) -> ModelCard:
    """Invented card of a definition."""
    card = ModelCard(
        name=definition.name,
        title=definition.title,
        method="made by hand",
        ends=definition.ends,
        retreat_version="0.1.0",
        created="2026-01-02",
        n_cases=412,
        n_patients=333,
        n_left_out=4,
        n_ended=dict.fromkeys(definition.ends, 150),
        max_session=6,
        supported_session=6,
        last_session=LAST_SESSION[definition.outcome] or 0,
        years=(2020, 2025),
        seed=3,
        invented=True,
        diagnostics={"newton_steps": 6.0},
    )
    return replace(card, **changes)


def made_model(
    name: str | Definition = "core",
    *,
    seed: int = 1,
    draws: int = 20,
    n_cases: int = 412,
    spread: float = 0.5,
    patient_loading: float = 0.0,
    link: Link | None = None,
    **card: Any,
) -> Model:
    """Model of a definition with random parameters, its coding, mix and support from invented cases."""
    definition = read_definition(name)
    rng = np.random.default_rng(seed)
    found = features(
        invented_cases(n_cases, seed), dict.fromkeys((*definition.features, *definition.likeness))
    )
    learned = coding.learn(definition.terms, found)
    strata = LEVELS[definition.strata] if definition.strata else ()
    ends, columns = len(definition.ends), len(learned.names)
    last = LAST_SESSION[definition.outcome] or 6
    centre = np.linspace(-0.5, -2.5, ends)[:, None]
    return Model(
        card=card_of(definition, **card),
        coding=learned,
        link=link or definition.link,
        parameters=Parameters(
            coefficients=rng.normal(0, spread, (draws, ends, columns)),
            session_effects=centre + rng.normal(0, spread, (draws, max(1, len(strata)), ends, last)),
            operator_effect=rng.normal(0, spread / 2, (draws, ends)),
            patient_loading=np.abs(rng.normal(0, patient_loading, (draws, ends))),
        ),
        strata=strata,
        stratum_feature=definition.strata,
        case_mix=casemix.learn({f: found[f] for f in definition.features}),
        support=support.learn(found, definition.likeness, np.full(n_cases, last)),
    )


def known_clinic() -> pd.DataFrame:
    """The invented clinic with textbook hazards, nothing missing: a table of 337 cases."""
    clinic = synthetic.make("known", cases=N_DISTINCT)
    return pd.DataFrame({name: list(values) for name, values in clinic.cases.items()})


@cache
def fitted_model() -> Model:
    """`core` fitted to the 337 cases."""
    return retreat.fit(known_clinic(), "core", draws=200, seed=2)
