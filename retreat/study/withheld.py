"""Counts of fitted cases that would give away, beside the tables of a cohort, a small count neither of them tells.

A cohort describes all begun cases and a model card those fitted. Each hides small counts of its own, but 1176 cases
stopped beside 1170 fitted cases stopped tell that six of those left out did.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from retreat.model.support import SMALL_CELL
from retreat.study.cohort.keys import ALL

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import ModelCard
    from retreat.study.cohort.record import Cohort, SharedCohort
    from retreat.study.reporting.form import Form, Part

HIDDEN = "(not shown)"
# neither the limit in "fewer than 11 cases" nor a percentage is a count
_NUMBER = re.compile(r"(?<!fewer than )(?<![\w.])\d+(?![\w%]|\.\d)")
_COUNTED = re.compile(r"(?<!fewer than )\b\d+(?=(?: of \d+)? cases?\b)")
_UNITS = ("cases", "patients")


def withheld_counts(
    cohort: Cohort, shared: SharedCohort, card: ModelCard, notes: Iterable[str] = (), *, threshold: int
) -> frozenset[int]:
    """Counts of a model that may not stand beside the shared tables; none where all may.

    All are withheld where a number of cases or patients, or of cases that ended in a way, is hidden in the tables, or
    is that of the fitted plus one to the threshold less one.

    Parameters
    ----------
    cohort, shared : Cohort, SharedCohort
        What is known, and what of it is told.
    card : ModelCard
        Of the model fitted to the same cases.
    notes : iterable of str
        More sentences with counts, such as those of effects.
    threshold : int
        Counts below it, from 1, are small.

    Examples
    --------
    >>> without_counts("Fitted to 147 cases; 1470.5 mm", frozenset({147}))
    'Fitted to (not shown) cases; 1470.5 mm'
    >>> without_counts("size_mm in fewer than 11 cases", frozenset({11}))
    'size_mm in fewer than 11 cases'
    """
    flow, told = cohort.flow.frame, shared.frames["flow"]
    whole = told["step"].isin(("in the table", "begun", "analysed"))
    hidden = bool(told.loc[whole, list(_UNITS)].isna().to_numpy().any())
    ended = _ended(cohort.follow_up.frame)
    hidden |= bool(_endings(shared.frames["follow_up"])["n"].isna().any())
    fitted = {"cases": card.n_cases, "patients": card.n_patients}
    differences = [
        int(n) - fitted[unit]
        for unit in _UNITS
        for n in flow.loc[flow["step"].isin(("in the table", "begun")), unit]
    ]
    rest = card.n_cases - sum(card.n_ended.values())
    differences += [ended.get(end, n) - n for end, n in {**card.n_ended, "ongoing": rest}.items()]
    if not hidden and not any(0 < abs(d) < threshold for d in differences):
        return frozenset()
    counts = {*fitted.values(), *card.n_ended.values(), rest, card.n_left_out}
    counts |= {int(n) for note in (*card.notes, *notes) for n in _COUNTED.findall(note)}
    # smaller ones are hidden by whoever wrote them, and would match numbers of sessions
    return frozenset(n for n in counts if n >= SMALL_CELL)


def model_untold(shared: SharedCohort) -> str:
    """Why the model file may not stand beside the shared tables; empty where it may.

    It holds counts of the fitted cases, also by kind and session, rounded down to fives: none of the counts that the
    tables hide, the small ones and those hidden for their sake, may be bounded by them.
    """
    tables = (shared.frames[name] for name in ("flow", "baseline", "follow_up", "life_table"))
    if not any(bool(table["hidden"].ne("").any()) for table in tables):
        return ""
    return (
        "It holds counts of the fitted cases, which would tell what the tables hide. Keep it in the clinic (retreat "
        "fit); retreat report share writes one that may leave"
    )


def sessions_told(tables: Mapping[str, pd.DataFrame]) -> int | None:
    """Last session that may be told of beside these tables; None where their life table hides nothing.

    Sessions that fewer reached than a definition asks for share an effect, so that the session after which effects are
    flat bounds how many reached it and the next. Effects therefore end with the last session of the whole series whose
    number at risk is shown; 0 where none is.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Of a shared cohort, or none.

    Examples
    --------
    >>> import pandas as pd
    >>> life = {"kind": "all", "session": [1, 2, 3], "at_risk": [40, None, 0], "hidden": ["", "at_risk", ""]}
    >>> sessions_told({"life_table": pd.DataFrame(life)})
    1
    """
    life = tables.get("life_table")
    if life is None or "hidden" not in life or not life["hidden"].ne("").any():
        return None
    shown = life.loc[life["kind"].eq(ALL) & life["at_risk"].fillna(0).gt(0), "session"]
    return int(shown.max()) if len(shown) else 0


def without_counts(text: str, counts: frozenset[int]) -> str:
    """The text with these whole numbers hidden."""
    return _NUMBER.sub(lambda found: HIDDEN if int(found[0]) in counts else found[0], text)


def form_without(form: Form, counts: frozenset[int]) -> Form:
    """The form with these numbers hidden in what a model or a validation says; the cohort's tables hide their own."""
    return worded(form, lambda text: without_counts(text, counts)) if counts else form


def worded(form: Form, wording: Callable[[str], str]) -> Form:
    """The form in other words, but for what the tables of a cohort say."""
    return replace(form, parts=tuple(_part(part, wording) for part in form.parts))


def _part(part: Part, wording: Callable[[str], str]) -> Part:
    lines = []
    for line in part.lines:
        filled = tuple(
            one if "cohort" in one.source or "flow" in one.source else replace(one, text=wording(one.text))
            for one in line.filled
        )
        lines.append(replace(line, filled=filled))
    return replace(part, lines=tuple(lines))


def _endings(follow_up: pd.DataFrame) -> pd.DataFrame:
    return follow_up[follow_up["what"] == "ending"]


def _ended(follow_up: pd.DataFrame) -> dict[str, int]:
    own = _endings(follow_up)
    return {str(k): int(n) for k, n in zip(own["level"], own["n"], strict=True)}
