"""The page of a reporting form."""

from __future__ import annotations

from retreat.study.in_hand.content import Content, Grid, Passage
from retreat.study.reporting.form import Form, Line

_COLUMNS = ("entry", "part", "what is wanted", "what is known", "state, and what is asked")
_HEAD = (
    "Entries are paraphrased: hold the text of the sources beside this form before it is sent. What a program filled "
    "names its source in brackets; what it could only begin is to be confirmed; the rest is asked. D stands for the "
    "development of a model, E for its evaluation."
)


def form_content(form: Form) -> Content:
    """The page.

    Parameters
    ----------
    form : Form
        From :func:`reporting_form`.
    """
    passages = [Passage("About this form", (_HEAD, *form.set_aside), grids=(_summary(form),))]
    for part in form.parts:
        name = part.checklist.name
        rows = tuple(_row(line) for line in part.lines)
        passages.append(Passage(name, grids=(Grid(f"{name}: entries", _COLUMNS, rows),)))
    sources = tuple(source for part in form.parts for source in part.checklist.sources)
    passages.append(Passage("Sources", points=sources))
    return Content(form.title, form.cautions, tuple(passages))


def _summary(form: Form) -> Grid:
    states = ("filled", "answered", "to confirm", "to answer", "not applicable")
    rows = tuple(
        (part.checklist.name, str(len(part.lines)), *(str(part.counts[state]) for state in states))
        for part in form.parts
    )
    return Grid("How far it is filled", ("list", "entries", *states), rows)


def _row(line: Line) -> tuple[str, ...]:
    known = [f"{one.text} [{one.source}]" for one in line.filled]
    if line.answer:
        known.append(f"{line.answer} [answer]")
    if line.status == "not applicable":
        state = "not applicable: no evaluation is given"
    else:
        state = f"{line.status}: {line.question}" if line.question else line.status
    part = f"{line.entry.section} ({line.entry.applies})"
    return (line.entry.id, part, line.entry.about, " ".join(known), state)
