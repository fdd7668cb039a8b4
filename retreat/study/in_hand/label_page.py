"""One page of facts about a model, for whoever is handed its numbers.

The fields follow the model facts label of Sendak and others 2020 (npj Digital Medicine 3:41,
doi:10.1038/s41746-020-0253-3; field list partly from memory): name, locale, version, summary, mechanism, validation
and performance, uses and directions, warnings, other information.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from retreat.model import Model
from retreat.study.in_hand.content import Content, Passage
from retreat.study.in_hand.facts import MANUAL, fitted_words, inputs, notes_words, output_words, reach_words
from retreat.study.in_hand.performance import belongs, performance_grids, verdict_words

if TYPE_CHECKING:
    from retreat.validation.report import ValidationReport

# what no file can tell, with the question that stands until somebody answers
QUESTIONS = {
    "locale": "Which clinic and place does the model come from, and where may it be used?",
    "intended_use": "For whom, by whom and at what moment is the model to be used?",
    "not_for": "For which eyes or decisions must it not be used?",
    "contact": "Who answers questions about the model?",
    "monitoring": "Who compares its forecasts with what happens, and how often?",
}


def label_content(
    model: Model, report: ValidationReport | None = None, answers: Mapping[str, str] | None = None
) -> Content:
    """The label.

    Parameters
    ----------
    model : Model
        The model; one that failed its gates has a label that says so first.
    report : ValidationReport, optional
        Of its own recipe and cases; the verdict stamped into the model is used when not given.
    answers : mapping of str to str, optional
        To :data:`QUESTIONS`; without one the question stands.
    """
    card = model.card
    grids = performance_grids(report)[:1] if report is not None and belongs(model, report) else ()
    return Content(
        title=f"Facts: {card.title}",
        cautions=card.cautions,
        passages=(
            Passage(
                "What it is",
                points=(
                    f"Model {card.name}, id {model.model_id}, made {card.created} by retreat {card.retreat_version}.",
                    asked("locale", answers),
                    output_words(model),
                    f"Method: {card.method}.",
                ),
            ),
            Passage(
                "Whom it was fitted to",
                points=(fitted_words(model), reach_words(model), *notes_words(card.notes)),
            ),
            Passage("What it takes in", points=tuple(f"{n}: {m} ({seen})" for n, m, seen in inputs(model))),
            Passage("How good it is", points=verdict_words(model, report), grids=grids),
            Passage(
                "Uses and directions", points=tuple(asked(k, answers) for k in ("intended_use", "not_for"))
            ),
            Passage("Warnings", points=MANUAL),
            Passage("Who looks after it", points=tuple(asked(k, answers) for k in ("contact", "monitoring"))),
        ),
    )


def asked(key: str, answers: Mapping[str, str] | None) -> str:
    """The answer of a human, or the question."""
    given = (answers or {}).get(key, "").strip()
    return given or f"To be answered: {QUESTIONS[key]}"
