"""Answers of a human, kept in a file between runs: TOML or JSON, one table a list, one text an entry."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING

from retreat.errors import Fault, RetreatError
from retreat.files import write_whole
from retreat.study.in_hand.label_page import QUESTIONS
from retreat.study.reporting.entries import LISTS, checklist

if TYPE_CHECKING:
    from retreat.study.reporting.form import Form

Answers = Mapping[str, Mapping[str, str]]
# questions of label and card, beside those of the lists
FACTS = "facts"
_HEAD = "# Answers to the reporting form. Write between the quotes; an empty answer leaves the question open."


def read_answers(path: str | Path) -> dict[str, dict[str, str]]:
    """Answers of a file.

    Parameters
    ----------
    path : str or Path
        TOML, or JSON by an ending in ``.json``; a file that does not exist has no answers.

    Returns
    -------
    dict of str to dict of str to str
        By list and entry.

    Raises
    ------
    RetreatError
        If the file cannot be read, or holds a list, an entry or a value that is not one; all of them at once.
    """
    source = Path(path)
    if not source.exists():
        return {}
    try:
        text = source.read_text(encoding="utf-8")
        data = json.loads(text) if source.suffix == ".json" else tomllib.loads(text)
    except (OSError, ValueError) as error:
        allowed = "JSON" if source.suffix == ".json" else "TOML"
        raise RetreatError(Fault(str(source), f"cannot be read ({error})", allowed, "correct it")) from None
    check_answers(data, str(source))
    return {str(name): dict(table) for name, table in data.items()}


def check_answers(answers: object, where: str = "answers") -> None:
    """Refuse answers to what is not asked: a misspelled number would lose an answer in silence.

    Raises
    ------
    RetreatError
        Naming each, and the nearest that there is.
    """
    known = {**{key: [one.id for one in checklist(key).entries] for key in LISTS}, FACTS: list(QUESTIONS)}
    if not isinstance(answers, Mapping):
        raise RetreatError(Fault(where, "not tables of answers", ", ".join(known)))
    faults = []
    for name, table in answers.items():
        if name not in known or not isinstance(table, Mapping):
            faults.append(Fault(f"{where}, {name}", "no such table of answers", ", ".join(known)))
            continue
        for entry, answer in table.items():
            if entry not in known[name]:
                near = get_close_matches(str(entry), known[name], 1)
                fix = f"rename it to {near[0]}" if near else "take it out"
                faults.append(
                    Fault(f"{where}, {name}, {entry}", "no such entry", ", ".join(known[name]), fix)
                )
            elif not isinstance(answer, str):
                faults.append(Fault(f"{where}, {name}, {entry}", f"value {answer!r}", "text in quotes"))
    if faults:
        raise RetreatError(faults)


def answers_text(form: Form) -> str:
    """The answers file of a form as TOML: answers given are kept, the rest are empty below their questions."""
    lines = [_HEAD]
    for part in form.parts:
        lines += ["", f"[{part.checklist.key}]"]
        for one in part.lines:
            if one.question or one.answer:
                lines += [
                    f"# {one.entry.id}: {one.entry.ask}",
                    f"{_quoted(one.entry.id)} = {_quoted(one.answer)}",
                ]
    lines += ["", f"[{FACTS}]"]
    for key, question in QUESTIONS.items():
        lines += [f"# {question}", f"{key} = {_quoted(form.facts.get(key, ''))}"]
    return "\n".join(lines) + "\n"


def write_answers(form: Form, path: str | Path) -> Path:
    """Write :func:`answers_text`, whole or not at all; comments a human added to an older file are not kept.

    Raises
    ------
    RetreatError
        If the file cannot be written, or is to be JSON: questions stand in comments, which JSON has none of.
    """
    target = Path(path)
    if target.suffix == ".json":
        raise RetreatError(Fault(str(target), "JSON has no place for the questions", "an ending of .toml"))
    try:
        write_whole(target, answers_text(form).encode("utf-8"))
    except OSError as error:
        what = f"cannot be written ({error.strerror or error})"
        raise RetreatError(Fault(str(target), what, "a writable folder", "choose another")) from None
    return target


def _quoted(text: str) -> str:
    """A TOML basic string: JSON's escapes, and the one control sign that JSON leaves as it is."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
