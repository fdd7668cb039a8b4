"""Entries that tell what others have published: studies, how far they differ, the eyes they are about."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field

from retreat.definitions.entries import Entry, Number, Spread, Whole, Why

Statistic = Literal["share_with", "mean_sessions", "share_relieved", "share_stopped"]

Share = Annotated[Number, Field(ge=0, le=1)]
# the most sessions a case table takes; a share up to it is of so many sessions or more
MOST_SESSIONS = 40
Session = Annotated[Whole, Field(ge=1, le=MOST_SESSIONS)]
Name = Annotated[str, Field(min_length=1)]
Eyes = Annotated[Number, Field(ge=1, le=2)]


class Study(Entry):
    """One published result of a group of eyes.

    Parameters
    ----------
    ids : tuple of str
        Rows of the collection of published values that it comes from.
    practice : str
        Author and year; results of one practice share its level.
    what, source : str
        The result in words; the full citation.
    kinds : mapping of str to float
        Share of each kind of opacity among its eyes, adding to 1.
    kinds_from : str
        Where these shares come from, or that they are our judgement.
    statistic : {"share_with", "mean_sessions", "share_relieved", "share_stopped"}
        ``share_with``: share of eyes that had from `sessions[0]` to `sessions[1]` sessions (40: or more), however
        their course stands after them. ``mean_sessions``: mean number of sessions had, none counted beyond
        `sessions[1]`.
        ``share_relieved``, ``share_stopped``: share that ended so at a session from the first to the second.
    sessions : tuple of int
        First and last session the statistic looks at.
    more_than : int
        The share is among eyes that had more sessions than this; 0 for all.
    count, n : int
        Eyes counted and eyes in all, of a share; `n` alone may be unknown of a mean.
    mean, sd : float
        Mean number of sessions and the spread of the number from eye to eye.
    eyes_per_patient : tuple of float
        Least and most eyes that the mean adds up, where it is told per patient; any number between is as likely.
    counts_as : float
        Eyes that the result is taken to weigh, `n` unless told.
    reads : {"equals", "at_most", "at_least"}
        Whether the statistic is the share told, or the share told is all that it can be at most or at least.
    why : str
        Why it is read so and weighs so much.
    """

    ids: Annotated[tuple[Name, ...], Field(min_length=1)]
    practice: Annotated[str, Field(min_length=5)]
    what: Annotated[str, Field(min_length=10)]
    source: Annotated[str, Field(min_length=10)]
    kinds: Mapping[str, Share]
    kinds_from: Annotated[str, Field(min_length=10)]
    statistic: Statistic
    sessions: tuple[Session, Session]
    more_than: Annotated[Whole, Field(ge=0, le=MOST_SESSIONS - 1)] = 0
    count: Annotated[Whole, Field(ge=0)] | None = None
    n: Annotated[Whole, Field(ge=1)] | None = None
    mean: Annotated[Number, Field(ge=1, le=MOST_SESSIONS)] | None = None
    sd: Annotated[Number, Field(gt=0)] | None = None
    eyes_per_patient: tuple[Eyes, Eyes] = (1.0, 1.0)
    counts_as: Annotated[Number, Field(gt=0)] | None = None
    reads: Literal["equals", "at_most", "at_least"] = "equals"
    why: Why

    @property
    def weight(self) -> float:
        """Eyes it is taken to weigh."""
        return float(self.counts_as if self.counts_as is not None else self.n or 0)


class LeftOut(Entry):
    """Published results that are not used, with the reason."""

    ids: Annotated[tuple[Name, ...], Field(min_length=1)]
    why: Why


class Lost(Entry):
    """Normal prior of the share lost after each session, on the logit scale."""

    mean: Number
    sd: Annotated[Number, Field(gt=0, le=5)]
    why: Why


class BetweenStudies(Entry):
    """How far practices differ in each end (half-normal scales, on the link scale), and what their reports hide."""

    relieved: Spread
    stopped: Spread
    lost: Lost


class Kind(Entry):
    """Eyes with one kind of opacity, as a model without cases takes them.

    Parameters
    ----------
    opacity : str
        The kind.
    share : float
        Share of it among all eyes.
    numbers : mapping of str to tuple of float
        Of each numeric feature the value that 5 of 100 eyes lie below, the middle one, and the one that 5 of 100
        lie above. The middle is the typical eye.
    levels : mapping of str to mapping of str to float
        Of each other category the share of each level; the most frequent is the typical eye's.
    why : str
        Where these come from.
    """

    opacity: Name
    share: Share
    numbers: Mapping[str, tuple[Number, Number, Number]] = {}
    levels: Mapping[str, Mapping[str, Share]] = {}
    why: Why

    @property
    def typical(self) -> dict[str, str | float]:
        """Features of the typical eye."""
        middles = {name: three[1] for name, three in self.numbers.items()}
        most = {name: max(shares, key=lambda level: shares[level]) for name, shares in self.levels.items()}
        return {"opacity": self.opacity, **middles, **most}
