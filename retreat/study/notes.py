"""Notes of a fit beside the tables of a cohort: a count that a table shows is told, one it hides only as some."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from retreat.study.cohort.keys import ALL, MISSING
from retreat.study.cohort.studied import SAME_AS
from retreat.study.in_hand.facts import CASES, HOW_MANY, SOME, hidden_words
from retreat.study.withheld import worded

if TYPE_CHECKING:
    import pandas as pd

    from retreat.study.reporting.form import Form

_WHOLE = re.compile(r"\d+")
_COARSE = re.compile(r"fewer than|or more")
_LACKING = re.compile(r"(\w+) was missing in $")
_FILLED = re.compile(r"(\w+) in $")


@dataclass(frozen=True)
class Notes:
    """What notes may say beside shared tables.

    Parameters
    ----------
    frames : mapping of str to DataFrame
        Tables of a shared cohort: the flow of records and the first table are used.
    withheld : frozenset of int
        Counts that may not stand beside them; see :func:`~retreat.study.withheld.withheld_counts`.
    threshold : int
        Counts below it, from 1, are small.

    Examples
    --------
    >>> import pandas as pd
    >>> flow = pd.DataFrame({"reason": ["not begun", "age missing"], "cases": pd.array([None, 15], dtype="Int64")})
    >>> baseline = pd.DataFrame({"feature": [], "level": [], "group": [], "unit": [], "n": []})
    >>> notes = Notes({"flow": flow, "baseline": baseline}, frozenset(), threshold=11)
    >>> notes.told("fewer than 11 cases not yet begun left out")
    'some cases not yet begun left out (how many is hidden)'
    >>> notes.told("age was missing in 15 cases, left out")
    'age was missing in 15 cases, left out'
    """

    frames: Mapping[str, pd.DataFrame]
    withheld: frozenset[int]
    threshold: int

    def told(self, note: str) -> str:
        """A note with each count as a table shows it; one that is hidden there, small or withheld as some."""
        text, end, hidden = "", 0, False
        for found in CASES.finditer(note):
            words = self._words(found[0], note[: found.start()], note[found.end() :])
            hidden |= words == SOME
            text, end = f"{text}{note[end : found.start()]}{words}", found.end()
        return f"{text}{note[end:]}{HOW_MANY if hidden else ''}"

    def all_told(self, notes: Iterable[str]) -> tuple[str, ...]:
        """Every note as it may stand."""
        return tuple(map(self.told, notes))

    def in_form(self, form: Form, notes: Iterable[str]) -> Form:
        """The form with these notes as they stand beside the tables, which it words for one who has no table."""
        pairs = [(words, self.told(note)) for note in notes for words in (note, hidden_words(note))]

        def wording(text: str) -> str:
            for before, after in pairs:
                text = text.replace(before.rstrip("."), after.rstrip("."))
            return text

        return worded(form, wording)

    def _words(self, count: str, before: str, after: str) -> str:
        rows = self._rows(before, after)
        if rows:
            known = [n for n in rows if n is not None]
            n = sum(known)
            return f"{n} case{'' if n == 1 else 's'}" if len(known) == len(rows) else SOME
        numbers = {int(n) for n in _WHOLE.findall(count)}
        small = any(0 < n < self.threshold or n in self.withheld for n in numbers)
        return SOME if small or _COARSE.search(count) else count

    def _rows(self, before: str, after: str) -> list[int | None]:
        """What the tables show of the same cases; None for a hidden count, empty where they tell nothing of them."""
        if after.startswith(" not yet begun"):
            return self._left_out("not begun")
        if after.startswith(" with a gap left out"):
            return self._left_out(" missing")
        if found := _LACKING.search(before):
            return self._left_out(f"{found[1]} missing")
        if before.startswith("gaps filled") and (found := _FILLED.search(before)):
            return self._missing(SAME_AS.get(found[1], found[1]))
        return []

    def _left_out(self, reason: str) -> list[int | None]:
        flow = self.frames["flow"]
        return _counts(flow.loc[flow["reason"].str.endswith(reason), "cases"])

    def _missing(self, name: str) -> list[int | None]:
        first = self.frames["baseline"]
        rows = (first["feature"] == name) & (first["level"] == MISSING) & (first["group"] == ALL)
        return _counts(first.loc[rows & (first["unit"] == "cases"), "n"])


def _counts(column: pd.Series) -> list[int | None]:
    gone = column.isna()
    return [None if hidden else int(n) for n, hidden in zip(column, gone, strict=True)]
