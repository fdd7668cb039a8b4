"""Toy models for the pages, made by hand: invented numbers with no clinic behind them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np

from retreat import coding
from retreat.coding import Term
from retreat.features import FEATURES
from retreat.model import Model, ModelCard, casemix, support
from retreat.model.kernel import Parameters
from retreat.pages.sheet import Sheet, build_sheet

CORE = (
    Term(("opacity",), "category", reference="ring", levels=("ring", "strand", "cloud", "sheet")),
    Term(("size_mm",), "log", centre=2.0),
    Term(("depth",), "linear", centre=0.5),
    Term(("corneal_surgery",), "category", reference="no", levels=("no", "yes")),
    Term(("corneal_surgery", "depth"), "interaction"),
)
FULL = (
    *CORE,
    Term(("opacities",), "category", reference="single", levels=("single", "few", "many")),
    Term(("eccentricity_deg",), "linear", centre=5.0, scale=10.0),
    Term(("lens",), "category", reference="natural", levels=("natural", "monofocal", "multifocal")),
    Term(("pvd",), "category", reference="complete", levels=("complete", "partial", "none")),
    Term(("sphere_d",), "linear", scale=5.0),
    Term(("axial_mm",), "linear", centre=24.0, scale=2.0),
    Term(("pupil_mm",), "linear", centre=7.0),
    Term(("age",), "linear", centre=60.0, scale=10.0),
    Term(("relief_before",), "linear", centre=6.0, scale=3.0),
)
EDGES = {"opacity": (), "corneal_surgery": (), "size_mm": (1.5, 3.0)}
CARD = ModelCard(
    name="core",
    title="Sessions to relief from kind, size, depth and corneal history",
    method="penalised logistic regression",
    ends=("relieved", "stopped"),
    retreat_version="0.1.0",
    created="2026-10-01",
    n_cases=812,
    n_patients=640,
    n_left_out=3,
    n_ended={"relieved": 560, "stopped": 120},
    max_session=8,
    supported_session=8,
    last_session=0,
    years=(2019, 2024),
    seed=1,
    invented=False,
    data_fingerprint="0123456789abcdef" * 4,
    definition_fingerprint="f" * 64,
)
RING = {"opacity": ["ring"], "size_mm": [2.0], "zone": ["middle"], "cornea": ["none"]}
CLOUD = {"opacity": ["cloud"], "size_mm": [4.5], "zone": ["posterior"], "cornea": ["myopic_ablation"]}
EVERYTHING = {
    **{"opacity": ["cloud"], "size_mm": [4.5], "cornea": ["myopic_ablation"]},
    **{"lens_gap_mm": [11.0], "retina_gap_mm": [4.5], "opacities": ["many"], "eccentricity_deg": [12.0]},
    **{"lens": ["multifocal"], "pvd": ["partial"], "sphere_d": [-7.25], "axial_mm": [25.5]},
    **{"pupil_mm": [6.5], "age": [64], "relief_before": [8]},
}


def features_of(n: int = 812, seed: int = 3) -> dict[str, np.ndarray]:
    """Invented features of n cases."""
    rng = np.random.default_rng(seed)

    def pick(name: str, shares: tuple[float, ...]) -> np.ndarray:
        return np.array(rng.choice(FEATURES[name].levels, n, p=shares), dtype=object)

    return {
        "opacity": pick("opacity", (0.4, 0.25, 0.25, 0.1)),
        "size_mm": np.clip(rng.lognormal(0.8, 0.5, n), 0.5, 9.0),
        "depth": rng.uniform(0.1, 0.95, n),
        "corneal_surgery": pick("corneal_surgery", (0.75, 0.25)),
        "opacities": pick("opacities", (0.5, 0.3, 0.2)),
        "eccentricity_deg": rng.uniform(0, 20, n),
        "lens": pick("lens", (0.6, 0.39, 0.01)),  # so few multifocal ones that they are warned of
        "pvd": pick("pvd", (0.5, 0.3, 0.2)),
        "sphere_d": rng.normal(-1, 3, n),
        "axial_mm": rng.normal(24, 1.2, n),
        "pupil_mm": rng.uniform(5, 9, n),
        "age": rng.uniform(30, 88, n),
        "relief_before": rng.uniform(2, 10, n),
    }


def last_sessions(n: int = 812, seed: int = 4) -> np.ndarray:
    """Invented last sessions of n cases, 1 to 12."""
    return np.minimum(np.random.default_rng(seed).geometric(0.45, n), 12)


def toy_model(
    terms: tuple[Term, ...] = CORE,
    *,
    ends: tuple[str, ...] = ("relieved", "stopped"),
    draws: int = 400,
    seed: int = 5,
    **card: object,
) -> Model:
    """Invented model: a ring with a small size does best, every other level worse."""
    rng = np.random.default_rng(seed)
    clinic = features_of()
    used = {name: clinic[name] for name in dict.fromkeys(f for term in terms for f in term.features)}
    coded = coding.learn(terms, used)
    columns = len(coded.names)
    centre = np.zeros((len(ends), columns))
    centre[0] = -0.35
    sessions = np.full((len(ends), 8), -2.6)
    sessions[0] = np.array([-0.1, 0.1, 0.0, -0.2, -0.4, -0.5, -0.6, -0.6])
    noise = rng.normal(0, 0.12, (draws, len(ends), columns))
    shift = rng.normal(0, 0.2, (draws, 1, len(ends), 1))
    parameters = Parameters(
        coefficients=centre + noise,
        session_effects=sessions + shift,
        operator_effect=np.zeros((draws, len(ends))),
        patient_loading=np.zeros((draws, len(ends))),
    )
    return Model(
        card=replace(CARD, ends=ends, **card),
        coding=coded,
        link="logit",
        parameters=parameters,
        strata=(),
        stratum_feature="",
        case_mix=casemix.learn(used),
        support=support.learn(
            {name: clinic[name] for name in {**used, **EDGES}}, EDGES, last_sessions(), logged=("size_mm",)
        ),
    )


def known_model(relieved: np.ndarray, stopped: float = 0.1, **card: object) -> Model:
    """Model without features: hazards of relief `relieved` (draws,) and of stopping, the same at each session."""
    staying = 1.0 - relieved - stopped
    logits = np.stack([np.log(relieved / staying), np.log(stopped / staying)], axis=1)  # (draws, ends)
    draws = len(relieved)
    parameters = Parameters(
        coefficients=np.zeros((draws, 2, 0)),
        session_effects=np.repeat(logits[:, None, :, None], 8, axis=3),
        operator_effect=np.zeros((draws, 2)),
        patient_loading=np.zeros((draws, 2)),
    )
    empty = support.Support({}, (), {}, {}, {})
    mix = casemix.CaseMix({}, {})
    return Model(replace(CARD, **card), coding.learn((), {}), "logit", parameters, (), "", mix, empty)


DATE = "2026-11-25"
VARIANTS: dict[str, Callable[[], Sheet]] = {
    "before": lambda: build_sheet(toy_model(), RING, date=DATE),
    "during": lambda: build_sheet(toy_model(), CLOUD, done=2, date=DATE),
    "everything known": lambda: build_sheet(toy_model(FULL), EVERYTHING, date=DATE),
    "much unknown": lambda: build_sheet(toy_model(FULL), {"opacity": ["cloud"]}, date=DATE),
    "invented and warned": lambda: build_sheet(
        toy_model(invented=True, supported_session=4), CLOUD, date=DATE
    ),
    "surgery apart": lambda: build_sheet(
        toy_model(ends=("relieved", "stopped", "surgery")), CLOUD, date=DATE
    ),
    "late": lambda: build_sheet(toy_model(supported_session=20), CLOUD, done=9, horizon=14, date=DATE),
    "not for counselling": lambda: build_sheet(toy_model(failures=("R-hat above 1",)), RING, date=DATE),
}


@cache
def variant(name: str) -> Sheet:
    """One kind of sheet, built once."""
    return VARIANTS[name]()
