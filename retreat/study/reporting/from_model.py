"""Entries that the model file and its definition fill."""

from __future__ import annotations

from collections.abc import Callable

from retreat.study.in_hand.columns import columns_by_hand
from retreat.study.in_hand.facts import (
    fitted_words,
    inputs,
    left_out_words,
    notes_words,
    output_words,
    reach_words,
    years_words,
)
from retreat.study.reporting.known import Filled, Known, counted
from retreat.study.withheld import sessions_told

Filler = Callable[[Known], Filled | None]


def _title(k: Known) -> Filled:
    ends = " or ".join(k.model.ends)
    done = "Development and internal validation" if k.report is not None else "Development"
    return Filled(
        f"{done} of a model of sessions of laser treatment of vitreous opacities until {ends}: {k.model.card.title}.",
        k.card_source,
    )


def _purpose(k: Known) -> Filled | None:
    if k.definition is None:
        return None
    return Filled(" ".join(k.definition.purpose.split()), f"definition {k.definition.name}")


def _aims(k: Known) -> Filled:
    both = " and validate" if k.report is not None else ""
    return Filled(
        f"To develop{both} a model of the number of sessions: {k.model.card.title}. It was "
        + ("developed and evaluated." if k.report is not None else "developed; no evaluation is given here."),
        k.card_source,
    )


def _accrual(k: Known) -> Filled:
    return Filled(
        f"First sessions {years_words(k.model)}; the file of the model keeps years alone. A case is followed for as "
        f"long as its sessions are recorded.",
        k.card_source,
    )


def _prepared(k: Known) -> Filled:
    return Filled(
        "Each value was checked against its allowed levels or range, and rows against each other; a table with a "
        "fault is refused. Depth and corneal surgery are worked out from other columns; ages above 89 count as 90. "
        "The same rules hold for every patient.",
        "rules of the case table",
    )


def _outcome(k: Known) -> Filled:
    ends = ", ".join(k.model.ends)
    return Filled(
        f"How a course ends ({ends}) and after how many sessions, judged after each session; "
        f"still in treatment or lost counts as not ended. {reach_words(k.model, sessions_told(k.tables))}",
        k.card_source,
    )


def _chosen(k: Known) -> Filled | None:
    if k.definition is None:
        return None
    pairs = zip(k.definition.terms, k.definition.entries, strict=True)
    reasons = " ".join(f"{term.label}: {entry.why}" for term, entry in pairs)
    text = f"Named in the definition before the fit, each with its reason. {reasons}"
    return Filled(text, f"definition {k.definition.name}")


def _predictors(k: Known) -> Filled:
    told = "; ".join(f"{name}: {meaning} ({seen})" for name, meaning, seen in inputs(k.model))
    return Filled(told or "No predictor.", f"data dictionary and {k.card_source}")


def _missing(k: Known) -> Filled:
    if k.tables:
        return Filled(_complete(k), k.card_source)
    notes = [n for n in notes_words(k.model.card.notes) if "missing" in n or "left out" in n]
    left = f"Left out for a missing feature: {left_out_words(k.model)}."
    return Filled(" ".join([_complete(k), left, *(f"{note}." for note in notes)]), k.card_source)


def _complete(k: Known) -> str:
    return (
        "Model, equation and point chart are of complete cases: a case with a missing feature of the model is left out "
        f"of the fit ({k.model.card.method})."
    )


def _forms(k: Known) -> Filled:
    told = "; ".join(f"{one.symbol} = {one.plain}" for one in columns_by_hand(k.model.coding))
    return Filled(told or "No predictor.", f"coding in the model file {k.model.model_id}")


def _kind_of_model(k: Known) -> Filled:
    card = k.model.card
    told = sessions_told(k.tables)
    last = (
        f"{card.max_session}" if told is None else f"{min(told, card.supported_session)}, later ones not told"
    )
    steps = (
        f"{card.method}; {k.model.link} hazard of each session with {len(k.model.ends)} competing end(s), "
    )
    steps += f"{len(k.model.coding.names)} coefficients an end, session effects to session {last}; "
    steps += f"seed {card.seed}. No predictor was selected by the data and nothing was tuned unless the method says so."
    scheme = k.report.scheme if k.report is not None else card.validated.scheme if card.validated else ""
    validated = f" Internal validation: {scheme}." if scheme else " No internal validation is given."
    return Filled(steps + validated, k.card_source)


def _computed(k: Known) -> Filled:
    return Filled(
        f"By retreat {k.model.card.retreat_version} from the draws in the model file, averaged over "
        f"{k.model.parameters.n_draws} draws, operators and patients.",
        k.card_source,
    )


def _imbalance(k: Known) -> Filled:
    return Filled(
        "None: no case was over- or under-sampled or weighted for its end.", "method of the package"
    )


def _output(k: Known) -> Filled:
    return Filled(output_words(k.model), "method of the package")


def _code(k: Known) -> Filled:
    return Filled(
        f"Package retreat {k.model.card.retreat_version}, definition {k.model.card.name} (SHA-256 "
        f"{k.model.card.definition_fingerprint}), seed {k.model.card.seed}.",
        k.card_source,
    )


def _data(k: Known) -> Filled:
    return Filled(
        f"The fitted columns have SHA-256 {k.model.card.data_fingerprint}; the model file holds no patient's row.",
        k.card_source,
    )


def _numbers(k: Known) -> Filled | None:
    # beside the counts of a cohort those of the fit would tell, by their difference, small ones
    if k.tables:
        return None
    return Filled(fitted_words(k.model), k.card_source)


def _whole_model(k: Known) -> Filled:
    return Filled(
        f"Model file {k.model.model_id} (JSON and plain arrays), its equation, coefficient file and point chart; "
        "licence of the code Apache-2.0.",
        k.card_source,
    )


def _updating(k: Known) -> Filled:
    line = k.model.card.lineage
    if not line:
        return Filled("The model was not updated.", k.card_source)
    steps = "; ".join(f"{one.step} (from {one.name} {one.model_id}, {one.n_cases} cases)" for one in line)
    return Filled(f"Updated: {steps}.", k.card_source)


def _limits(k: Known) -> Filled:
    card = k.model.card
    reasons = card.validated.reasons if card.validated else ()
    lines = [*card.cautions, *reasons]
    notes = card.notes
    if k.report is not None:
        lines += k.report.verdict.reasons
        notes += k.report.notes
    else:
        lines.append("no validation is given here")
    lines += notes_words(notes)
    return Filled(" ".join(f"{line.rstrip('.')}." for line in dict.fromkeys(lines)), k.card_source)


def _poor_input(k: Known) -> Filled:
    return Filled(
        "A missing feature is averaged over the case mix of the fitted cases, and said so; a value outside what nearly "
        "all fitted cases had is warned of, one far outside is refused.",
        "method of the package",
    )


def _users(k: Known) -> Filled:
    return Filled(
        "The user enters the features by hand or from a table; each is defined and range-checked. An ophthalmologist "
        "reads the sheet with the patient.",
        "method of the package",
    )


def _differences(k: Known) -> Filled | None:
    if k.report is None:
        return None
    return Filled(
        "None in place, eligibility, outcome or predictors: tested and fitted cases come from one table, patients "
        "apart.",
        k.report_source,
    )


def _treatments(k: Known) -> Filled:
    return Filled(
        "All cases were treated by laser, one session after another; the number of sessions is the outcome. Energy and "
        "pulses of a session are no predictors of a forecast before it.",
        "method of the package",
    )


def _settings(k: Known) -> Filled | None:
    found = k.rows("flow", step="analysed")
    if not found or "sites" not in found[0]:
        return None
    row = found[0]
    return Filled(
        f"{counted(row['sites'], 'sites')}, {counted(row['operators'], 'operators')}.", "flow of records"
    )


def _priors_guard(k: Known) -> Filled:
    return Filled(
        f"{k.model.card.method}. Priors of the definition pull coefficients to what was held likely before.",
        k.card_source,
    )


def _kept_numbers(k: Known) -> Filled:
    text = (
        "Numbers were kept as numbers, none was cut into classes."
        if k.model.coding.terms
        else "No predictor."
    )
    return Filled(text, "coding in the model file")


def _known_in_time(k: Known) -> Filled:
    later = (
        " What sessions show enters forecasts during a course alone." if k.model.history is not None else ""
    )
    return Filled(
        f"A feature can only be what the case table holds from before the first session.{later} Whether it was noted "
        "then the table cannot tell.",
        "method of the package",
    )


def _censored(k: Known) -> Filled:
    return Filled(
        f"Courses not ended count for the sessions they had, by the likelihood. {_complete(k)}",
        k.card_source,
    )


def _clusters_in_model(k: Known) -> Filled:
    p = k.model.parameters
    parts = [
        ("operators", bool(p.operator_effect.any()), "a spread of their own"),
        ("patients (two eyes)", bool(p.patient_loading.any()), "a factor a patient"),
    ]
    told = [f"{who}: {how if there else 'no effect of their own'}" for who, there, how in parts]
    return Filled(f"{'; '.join(told)}; method: {k.model.card.method}.", k.card_source)


def _unseen(k: Known) -> Filled:
    there = bool(k.model.parameters.operator_effect.any())
    how = (
        "averaged over the spread of operators, with draws of a new one"
        if there
        else "as by the average operator: no spread was learned"
    )
    return Filled(f"An operator of a forecast is always a new one, {how}.", k.card_source)


MODEL: dict[str, dict[str, Filler]] = {
    "tripod_ai": {
        "1": _title, "3b": _purpose, "4": _aims, "5b": _accrual, "6a": _settings, "6c": _treatments, "7": _prepared,
        "8a": _outcome, "9a": _chosen, "9b": _predictors, "11": _missing, "12b": _forms, "12c": _kind_of_model,
        "12d": _clusters_in_model, "12f": _updating, "12g": _computed, "13": _imbalance, "15": _output,
        "16": _differences, "18e": _data, "18f": _code, "20a": _numbers, "20b": _numbers, "21": _numbers,
        "22": _whole_model, "24": _updating, "26": _limits, "27a": _poor_input, "27b": _users,
    },
    "tripod_cluster": {"model": _clusters_in_model, "unseen": _unseen},
    "probast_ai": {
        "D4.2": _kept_numbers, "D4.3": _censored, "D4.4": _imbalance, "D4.5": _priors_guard, "E4.4": _imbalance,
        "D2.4": _known_in_time, "E2.4": _known_in_time,
    },
}  # fmt: skip
