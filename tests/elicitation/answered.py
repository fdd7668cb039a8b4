"""Answers made by hand, and answers that a given prior mean would give."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from retreat.definitions import Definition, Prior, read_definition
from retreat.elicitation.answers import Answers, checked_answers, questions_for
from retreat.elicitation.eyes import Eye, coded, eyes_to_ask
from retreat.fitting.prior_draws import stated_coding
from retreat.hazard import cumulative_incidence, hazards

CORE = read_definition("core")
CODING = stated_coding(CORE)

HEADER = "description,opacity,size_mm,zone,cornea,relieved_1,relieved_2,relieved_3,stopped_3"
ROWS = (
    "a ring,ring,2,middle,none,60,80,88,8",
    "a strand,strand,2,middle,none,50,70,80,10",
    "a cloud,cloud,2,middle,none,30,50,62,20",
    "a sheet,sheet,2,middle,none,15,25,32,50",
    "a large ring,ring,5,middle,none,45,65,75,",
    "a deep ring,ring,2,posterior,none,50,72,82,12",
    "a ring after surgery,ring,2,middle,myopic_ablation,50,70,80,15",
    "a deep one after surgery,ring,2,posterior,myopic_ablation,40,60,70,20",
)


def table(folder: Path, *rows: str, header: str = HEADER) -> Path:
    path = folder / "answers.csv"
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return path


def shares(
    definition: Definition, first: np.ndarray, coefficients: np.ndarray, eyes: tuple[Eye, ...]
) -> np.ndarray:
    """Of 100 eyes, by question, from hazards alike at every session: retreat.hazard, not the code under test."""
    X = coded(eyes, definition, stated_coding(definition))
    questions = questions_for(definition)
    last = max(question.session for question in questions)
    eta = first[:, None] + coefficients @ X.T  # (ends, eyes)
    incidence = cumulative_incidence(hazards(np.repeat(eta.T[..., None], last, axis=-1)))
    return 100.0 * np.stack([incidence[:, q.end, q.session - 1] for q in questions], axis=-1)


def told_by(first: np.ndarray, coefficients: np.ndarray, definition: Definition = CORE) -> Answers:
    eyes = eyes_to_ask(definition)
    return checked_answers(
        eyes, shares(definition, first, coefficients, eyes), definition, stated_coding(definition)
    )


def widened(definition: Definition, sd: float = 10.0) -> Definition:
    """The definition with priors of this spread around 0 throughout."""
    prior = Prior(sd=sd, why="wide for the test")
    return replace(
        definition,
        sessions=definition.sessions.model_copy(update={"first": (prior,)}),
        entries=tuple(entry.model_copy(update={"prior": (prior,)}) for entry in definition.entries),
    )
