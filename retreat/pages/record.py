"""The record of a counselling sheet: numbers and sentences, already decided."""

from __future__ import annotations

from dataclasses import dataclass

from retreat.pages import course_words, words

# name of a line, how many of 100 a bar shows or None for no bar, text of each cell
type CourseRow = tuple[str, int | None, tuple[str, ...]]


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
class Noted:
    """What was noted of one session, in words; "not noted" where nothing was."""

    session: str
    gone: str
    pieces: str
    bother: str


@dataclass(frozen=True)
class Step:
    """A further session: of 100 eyes that come to it, how many finish at it, and their mean bother after it.

    `bother` is empty where it is not known.
    """

    session: int
    finish: int
    bother: str


@dataclass(frozen=True)
class UnderWay:
    """What the sheet of a course under way tells besides.

    Parameters
    ----------
    strip_caption : str
        Caption of the sessions so far.
    strip : tuple of Noted
        The sessions so far, and how it was before them.
    steps : tuple of Step
        The further sessions; one a row of the sheet.
    go_on_heading : str
        Heading of the next session.
    go_on, stop : tuple of str
        Sentences of the next session, and of ending now.
    at_start : str
        What was forecast before the course.
    used : str
        Whether the numbers use what the sessions showed.
    """

    strip_caption: str
    strip: tuple[Noted, ...]
    steps: tuple[Step, ...]
    go_on_heading: str
    go_on: tuple[str, ...]
    stop: tuple[str, ...]
    at_start: str
    used: str

    @property
    def strip_rows(self) -> tuple[CourseRow, ...]:
        """Lines of the table of the sessions so far."""
        return tuple((one.session, None, (one.gone, one.pieces, one.bother)) for one in self.strip)

    @property
    def step_headings(self) -> tuple[str, ...]:
        """Headings of the table of further sessions; without the bother where it is not known."""
        headings = course_words.STEP_HEADINGS
        return headings if any(step.bother for step in self.steps) else headings[:-1]

    @property
    def step_rows(self) -> tuple[CourseRow, ...]:
        """Lines of the table of further sessions."""
        width = len(self.step_headings) - 1
        return tuple(
            (str(step.session), step.finish, (words.count(step.finish), step.bother)[:width])
            for step in self.steps
        )

    @property
    def sentences(self) -> tuple[str, ...]:
        """Its text in reading order, without tables."""
        return (*self.go_on, *self.stop, self.at_start, self.used)


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
    under_way : UnderWay or None
        Of a course under way of which visits were given.
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
    under_way: UnderWay | None = None

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
        course = self.under_way.sentences if self.under_way else ()
        rest = (*course, *self.like, self.moved_lead, *moved, *self.cautions, self.urgent)
        return tuple(text for text in (*self.banners, *self.warnings, *told, *rest) if text)
