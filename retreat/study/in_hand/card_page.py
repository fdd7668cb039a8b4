"""Model card: everything the label says, with the record behind it.

The headings follow model cards as proposed by Mitchell and others 2019 (doi:10.1145/3287560.3287596, from memory):
details, intended use, factors, metrics, evaluation data, training data, quantitative analyses, caveats.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite
from typing import TYPE_CHECKING

from retreat.model import Model
from retreat.study.in_hand.content import Content, Grid, Passage
from retreat.study.in_hand.facts import MANUAL, fitted_words, inputs, notes_words, output_words, reach_words
from retreat.study.in_hand.label_page import asked
from retreat.study.in_hand.performance import (
    MEASURES,
    belongs,
    performance_grids,
    validated_words,
    verdict_words,
)

if TYPE_CHECKING:
    from retreat.validation.report import ValidationReport


def card_content(
    model: Model, report: ValidationReport | None = None, answers: Mapping[str, str] | None = None
) -> Content:
    """The card.

    Parameters
    ----------
    model : Model
        The model.
    report : ValidationReport, optional
        Of its own recipe and cases; a report of others is named as such and not shown.
    answers : mapping of str to str, optional
        To the questions of :mod:`retreat.study.in_hand.label_page`.
    """
    own = report if report is not None and belongs(model, report) else None
    return Content(
        title=f"Model card: {model.card.title}",
        cautions=model.card.cautions,
        passages=(
            Passage("Details", grids=(_details(model),)),
            Passage(
                "Intended use", points=tuple(asked(k, answers) for k in ("intended_use", "not_for", "locale"))
            ),
            Passage(
                "Factors",
                ("Features the forecast depends on, and what nearly all fitted cases had.",),
                grids=(Grid("Inputs", ("feature", "meaning", "seen"), inputs(model)),),
            ),
            Passage("Metrics", (output_words(model),), points=tuple(MEASURES.values())),
            Passage(
                "Training data",
                (fitted_words(model), reach_words(model)),
                points=notes_words(model.card.notes),
            ),
            Passage(
                "Evaluation", _evaluated(model, own, report), grids=performance_grids(own) if own else ()
            ),
            *((_subgroups(own),) if own and own.subgroups else ()),
            Passage("Caveats", points=MANUAL),
            Passage("Care", points=tuple(asked(k, answers) for k in ("contact", "monitoring"))),
        ),
    )


def _details(model: Model) -> Grid:
    card = model.card
    rows = [
        ("name", f"{card.name}: {card.title}"),
        ("model id", model.model_id),
        ("made", f"{card.created}, retreat {card.retreat_version}, seed {card.seed}"),
        ("method", card.method),
        ("ends", ", ".join(card.ends)),
        ("link", model.link),
        ("draws", str(model.parameters.n_draws)),
        ("cases (SHA-256)", card.data_fingerprint),
        ("definition (SHA-256)", card.definition_fingerprint),
    ]
    told = ", ".join(f"{k} {v:.4g}" for k, v in card.diagnostics.items() if isfinite(v))
    if told:
        rows.append(("record of the fit", told))
    rows += [
        ("made from", f"{one.name} {one.model_id} of {one.created}, {one.n_cases} cases: {one.step}")
        for one in card.lineage
    ]
    return Grid("Record", ("what", "value"), tuple(rows))


def _evaluated(model: Model, own: ValidationReport | None, given: ValidationReport | None) -> tuple[str, ...]:
    lines = verdict_words(model, given)
    if own is None:
        return lines
    who = f"{validated_words(own)}."
    return (*lines, who, *notes_words(own.notes), *own.failures)


def _subgroups(report: ValidationReport) -> Passage:
    rows = []
    for one in report.subgroups:
        if not one.n or not isfinite(one.observed_expected):
            rows.append((f"{one.feature} {one.level}", "hidden" if not one.n else str(one.n), one.reason))
            continue
        low, high = one.interval
        span = f" ({low:.2f} to {high:.2f})" if isfinite(low) and isfinite(high) else ""
        rows.append((f"{one.feature} {one.level}", str(one.n), f"{one.observed_expected:.2f}{span}"))
    return Passage(
        "Parts of the cases",
        grids=(Grid("Observed / expected of the first end", ("part", "cases", "ratio"), tuple(rows)),),
    )
