"""Entries of the form that depend on what else is in the folder: where the model is, and places that are hidden."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from retreat.study.reporting.known import counted, shown

if TYPE_CHECKING:
    import pandas as pd

    from retreat.study.reporting.form import Form

COEFFICIENTS, MODEL = "model/coefficients.json", "model/model.retreat"


def with_model_files(form: Form, model_id: str, *, coefficients: bool, model: bool) -> Form:
    """The form with the names of the files that hold the whole model (entry 22 of TRIPOD+AI).

    Parameters
    ----------
    form : Form
        As filled.
    model_id : str
        Of the model.
    coefficients, model : bool
        Whether these files are in the folder.
    """
    files = [f"coefficient file {COEFFICIENTS}"] if coefficients else []
    kept = (
        f"model file {MODEL} (JSON and plain arrays)"
        if model
        else "the model file itself stays in the clinic"
    )
    text = (
        f"Model {model_id}: {'; '.join([*files, kept])}; equation and point chart on this page where they could be "
        "drawn; licence of the code Apache-2.0."
    )
    return _entry(form, "22", text)


def with_places(form: Form, flow: pd.DataFrame) -> Form:
    """The form with sites and operators (entry 6a of TRIPOD+AI) of the fitted cases, else of those begun, as told."""
    rows = flow.set_index("step")
    for step, whose in (("analysed", "of the fitted cases"), ("begun", "of all begun cases")):
        found = {unit: rows.loc[step, unit] for unit in ("sites", "operators")}
        if "hidden" not in map(shown, found.values()):
            told = ", ".join(counted(value, unit) for unit, value in found.items())
            return _entry(form, "6a", f"{told} {whose}.")
    return _entry(form, "6a", "Numbers of sites and operators are hidden, as those of their cases are.")


def without_fingerprint(form: Form) -> Form:
    """The form without the checksum of the fitted columns (entry 18e of TRIPOD+AI): it would prove a guess of them."""
    return _entry(form, "18e", "The coefficient file holds no patient's row.")


def _entry(form: Form, number: str, text: str) -> Form:
    """The form with another text of what fills one entry of TRIPOD+AI, where anything does."""
    parts = []
    for part in form.parts:
        lines = part.lines
        if part.checklist.key == "tripod_ai":
            lines = tuple(
                replace(line, filled=tuple(replace(one, text=text) for one in line.filled))
                if line.entry.id == number
                else line
                for line in lines
            )
        parts.append(replace(part, lines=lines))
    return replace(form, parts=tuple(parts))
