"""Answers to the form as a user gives them, refused before any work; and the file in which they are given."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from retreat.errors import Fault, RetreatError
from retreat.study.reporting.answers import answers_text, read_answers

if TYPE_CHECKING:
    from retreat.study.reporting.form import Form

ANSWERS = "answers.toml"
_HOW = (
    "# Copy this file out of its folder, fill it, and give it back: retreat report study CASES --answers FILE --out "
    "FOLDER"
)


def answers_given(path: str | Path) -> dict[str, dict[str, str]]:
    """Answers of a file that must be there: one that was named and is not would leave all questions open in silence.

    Raises
    ------
    RetreatError
        If there is no such file, it is a folder, or cannot be read as answers.
    """
    source = Path(path)
    if not source.is_file():
        what = f"{source} is a folder" if source.is_dir() else f"there is no file {source}"
        fix = f"check the path; a run without answers writes {ANSWERS} to fill in"
        raise RetreatError(Fault("answers", what, "a TOML file of answers", fix))
    return read_answers(source)


def open_answers(form: Form) -> str:
    """The form's questions as a file to fill, answers given kept; empty where no question is open."""
    if not any(line.question for part in form.parts for line in part.lines):
        return ""
    return f"{_HOW}\n{answers_text(form)}"
