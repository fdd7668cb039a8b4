"""A reporting form filled as far as model, validation and cohort can, with one question for each gap."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from retreat.model import Model
from retreat.study.reporting.answers import FACTS, Answers, check_answers, read_answers
from retreat.study.reporting.entries import LISTS, Checklist, Entry, checklist
from retreat.study.reporting.from_cohort import from_cohort
from retreat.study.reporting.from_model import MODEL
from retreat.study.reporting.from_validation import from_validation
from retreat.study.reporting.known import Filled, Known, gather

if TYPE_CHECKING:
    from retreat.definitions import Definition
    from retreat.validation.report import ValidationReport

Status = Literal["filled", "to confirm", "to answer", "answered", "not applicable"]


@dataclass(frozen=True)
class Line:
    """One entry of a form.

    Parameters
    ----------
    entry : Entry
        What is wanted.
    filled : tuple of Filled
        What model and data say, each with its source.
    answer : str
        What a human said; empty for nothing yet.
    status : str
        ``filled`` by data, ``to confirm``, ``to answer``, ``answered`` by a human, or ``not applicable``.
    """

    entry: Entry
    filled: tuple[Filled, ...]
    answer: str
    status: Status

    @property
    def question(self) -> str:
        """What a human is asked; empty where nothing is."""
        return self.entry.ask if self.status in ("to confirm", "to answer") else ""


@dataclass(frozen=True)
class Part:
    """One list of a form."""

    checklist: Checklist
    lines: tuple[Line, ...]

    @property
    def counts(self) -> Counter[str]:
        """How many lines of each status."""
        return Counter(line.status for line in self.lines)


@dataclass(frozen=True)
class Form:
    """A reporting form.

    Parameters
    ----------
    title : str
        Title.
    cautions : tuple of str
        What must be read first.
    set_aside : tuple of str
        What was given and not used, and why.
    parts : tuple of Part
        The lists.
    facts : mapping of str to str
        Answers to the questions of label and card.
    """

    title: str
    cautions: tuple[str, ...]
    set_aside: tuple[str, ...]
    parts: tuple[Part, ...]
    facts: Mapping[str, str]


def reporting_form(
    model: Model,
    report: ValidationReport | None = None,
    cohort: Any = None,
    *,
    definition: Definition | None = None,
    answers: str | Path | Answers | None = None,
) -> Form:
    """TRIPOD+AI, notes on clusters and a PROBAST+AI self-check, as far as data can fill them.

    Parameters
    ----------
    model : Model
        The model.
    report : ValidationReport, optional
        Of its own recipe and cases; without one the entries of evaluation alone are marked as not applicable.
    cohort : Cohort or SharedCohort, optional
        From :func:`retreat.study.cohort.describe_cohort`; what may leave the clinic is used.
    definition : Definition, optional
        That of the model, for purpose and reasons.
    answers : str, Path or mapping, optional
        File of :func:`retreat.study.reporting.read_answers`, or what it gives.

    Returns
    -------
    Form
        The same arguments give the same form.

    Raises
    ------
    RetreatError
        If an answer is to nothing that is asked.

    References
    ----------
    See the `sources` of each list.
    """
    given: Answers
    if answers is None or isinstance(answers, Mapping):
        given = answers or {}
        check_answers(given)
    else:
        given = read_answers(answers)
    known, aside = gather(model, report, cohort, definition)
    parts = tuple(_part(known, checklist(key), given.get(key, {})) for key in LISTS)
    return Form(
        title=f"Reporting form of the model {model.card.name}, {model.model_id}",
        cautions=known.cautions,
        set_aside=aside,
        parts=parts,
        facts=dict(given.get(FACTS, {})),
    )


def _part(known: Known, found: Checklist, answers: Mapping[str, str]) -> Part:
    lines = []
    for entry in found.entries:
        filled = _filled(known, found.key, entry.id)
        answer = answers.get(entry.id, "").strip()
        lines.append(Line(entry, filled, answer, _status(known, entry, filled, answer)))
    return Part(found, tuple(lines))


def _filled(known: Known, key: str, entry: str) -> tuple[Filled, ...]:
    from_model = MODEL[key].get(entry)
    parts = [
        from_model(known) if from_model is not None else None,
        from_validation(known, key, entry),
        from_cohort(known, key, entry),
    ]
    return tuple(part for part in parts if part is not None)


def _status(known: Known, entry: Entry, filled: tuple[Filled, ...], answer: str) -> Status:
    if answer:
        return "answered"
    if entry.applies == "E" and known.report is None:
        return "not applicable"
    if not filled:
        return "to answer"
    return {"data": "filled", "confirm": "to confirm", "ask": "to answer"}[entry.fill]  # type: ignore[return-value]
