"""What a validation found, as lines and tables for a page; nothing is measured here."""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING

from retreat.model import Model
from retreat.study.in_hand.content import Grid
from retreat.study.in_hand.facts import cases_words, parts_words

if TYPE_CHECKING:
    from retreat.validation.report import MeasureRow, ValidationReport

# measures on a page, with what each aims at
MEASURES = {
    "observed_expected": "observed / expected (aim 1)",
    "slope": "calibration slope (aim 1)",
    "ici": "mean calibration error (aim 0)",
    "concordance_at": "concordance (aim 1; 0.5 is chance)",
    "scaled_brier_at": "scaled Brier score (aim 1; 0 is no better than the share)",
}


def belongs(model: Model, report: ValidationReport | None) -> bool:
    """Whether a report validated the recipe and the cases of the model."""
    if report is None:
        return False
    card = model.card
    return (card.definition_fingerprint, card.data_fingerprint) == (
        report.definition_fingerprint,
        report.data_fingerprint,
    ) and card.method.startswith(report.made_by)


def verdict_words(model: Model, report: ValidationReport | None) -> tuple[str, ...]:
    """Standing of the model and why, or that nobody has validated it."""
    if report is not None and belongs(model, report):
        found = report.verdict
        return (
            f"Verdict: {found.standing}, by {report.scheme}.",
            *(f"{reason}." for reason in found.reasons),
            f"Next: {found.next_step}.",
        )
    stamped = model.card.validated
    if stamped is not None:
        return (
            f"Verdict: {stamped.standing}, by {stamped.scheme}, on {stamped.date}.",
            *(f"{reason}." for reason in stamped.reasons),
            f"Next: {stamped.next_step}.",
        )
    told = "A report was given, but of another recipe or other cases. " if report is not None else ""
    return (f"{told}This model has not been validated: its performance is not known.",)


def validated_words(report: ValidationReport) -> str:
    """Cases a validation rests on."""
    others = report.n_cases - sum(report.n_ended.values())
    ended = parts_words({**report.n_ended, "ongoing or lost": others})
    return f"{cases_words(report.n_cases, report.n_patients)} ({ended})"


def performance_grids(report: ValidationReport) -> tuple[Grid, ...]:
    """Corrected measures with their intervals, one table an end."""
    ends = dict.fromkeys(row.end for row in report.rows if row.end)
    return tuple(grid for end in ends if (grid := _end_grid(report, end)).rows)


def measure_words(row: MeasureRow) -> str:
    """One measure with its interval."""
    if not isfinite(row.corrected):
        return f"not known ({row.reason})" if row.reason else "not known"
    if not (isfinite(row.low) and isfinite(row.high)):
        return f"{row.corrected:.2f}"
    return f"{row.corrected:.2f} ({row.low:.2f} to {row.high:.2f})"


def _end_grid(report: ValidationReport, end: str) -> Grid:
    rows = {(row.measure, row.horizon): row for row in report.rows if row.end == end}
    horizons = sorted({k for measure, k in rows if measure in MEASURES})
    lines = tuple(
        (label, *(measure_words(rows[name, k]) if (name, k) in rows else "" for k in horizons))
        for name, label in MEASURES.items()
        if any((name, k) in rows for k in horizons)
    )
    caption = f"{end}: corrected for optimism, {100 * report.level:.0f}% intervals, {report.scheme}"
    return Grid(caption, ("measure", *(f"by session {k}" for k in horizons)), lines)
