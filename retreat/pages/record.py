"""The record of a counselling sheet: numbers and sentences, already decided."""

from __future__ import annotations

from dataclasses import dataclass

from retreat.pages import words


@dataclass(frozen=True)
class Row:
    """Of 100 eyes: finished by a session, not finished, and the likely range of the finished."""

    session: int
    finished: int
    not_finished: int
    low: int
    high: int


@dataclass(frozen=True)
class State:
    """One group of the 100 figures.

    Parameters
    ----------
    mark : str
        What stands in its figures: the session for those finished at it, else a letter.
    label : str
        Its name in the key.
    count : int
        How many of the 100.
    end : str
        The end of the model, or "in_treatment".
    """

    mark: str
    label: str
    count: int
    end: str


@dataclass(frozen=True)
class Sheet:
    """One counselling sheet; `rows` and `states` are empty where no number may be shown.

    Parameters
    ----------
    banners : tuple of str
        What holds for the whole model and comes first: invented data, not for counselling and why.
    warnings : tuple of str
        What makes the numbers of this eye less sure.
    course, headline, framing, likely, ends_mean : str
        Sentences of the numbers.
    caption : str
        Whom the 100 stand for.
    rows : tuple of Row
        Finished by each session.
    states : tuple of State
        Groups of the 100 figures, in the order they are drawn; counts sum to 100.
    like : tuple of str
        Whom the model learned from and how many were like this eye.
    moved_lead : str
        What the differences are measured against.
    moved : tuple of str
        Differences from the average case, largest first.
    cautions : tuple of str
        What the numbers cannot do and the laser may do.
    urgent : str
        Symptoms that cannot wait.
    about : tuple of (str, str)
        Facts about the sheet: name and text.
    for_clinic : tuple of str
        Warnings and notes of the model in its own words, for the clinic.
    """

    title: str
    banners: tuple[str, ...]
    warnings: tuple[str, ...]
    course: str
    caption: str
    headline: str
    framing: str
    likely: str
    ends_mean: str
    rows: tuple[Row, ...]
    states: tuple[State, ...]
    like: tuple[str, ...]
    moved_lead: str
    moved: tuple[str, ...]
    cautions: tuple[str, ...]
    urgent: str
    about: tuple[tuple[str, str], ...]
    for_clinic: tuple[str, ...]

    @property
    def table(self) -> tuple[tuple[State, str, tuple[tuple[str, str], ...]], ...]:
        """Lines of the table: the figure, the name of the line, and heading and text of each cell."""
        _, *headings, count = words.HEADINGS
        lines = []
        for row, state in zip(self.rows, self.states, strict=False):
            told = (words.count(row.finished), words.count(row.not_finished), f"{row.low} to {row.high}")
            cells = (*zip(headings, told, strict=True), (count, str(state.count)))
            lines.append((state, str(row.session), cells))
        others = [
            (state, state.label, ((count, str(state.count)),)) for state in self.states[len(self.rows) :]
        ]
        return (*lines, *others)

    @property
    def sentences(self) -> tuple[str, ...]:
        """The patient's text in reading order, without tables and the facts about the sheet."""
        told = (self.course, self.headline, self.framing, self.likely, self.ends_mean)
        moved = tuple(f"{line}." for line in self.moved)
        rest = (*self.like, self.moved_lead, *moved, *self.cautions, self.urgent)
        return tuple(text for text in (*self.banners, *self.warnings, *told, *rest) if text)
