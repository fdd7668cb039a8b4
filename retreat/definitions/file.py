"""A whole definition file: all its entries, each sound in itself."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

from pydantic import Field

from retreat.definitions.entries import (
    Entry,
    Gates,
    Groups,
    Number,
    Outcome,
    Reference,
    Sessions,
    TermEntry,
    Verdict,
)
from retreat.definitions.histories import HistoryEntry
from retreat.definitions.studies import BetweenStudies, Kind, LeftOut, Study
from retreat.hazard import Link


class File(Entry):
    """A whole definition file."""

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]
    title: Annotated[str, Field(min_length=5)]
    purpose: Annotated[str, Field(min_length=10)]
    basis: str = ""
    outcome: Outcome
    link: Link = "logit"
    sessions: Sessions = Sessions()
    strata: str = ""
    pseudo_cases: Annotated[Number, Field(ge=0)] = 0.0
    terms: tuple[TermEntry, ...] = ()
    groups: Groups = Groups()
    history: HistoryEntry | None = None
    gates: Gates = Gates()
    verdict: Verdict = Verdict()
    support: Mapping[str, tuple[Number, ...]] = {}
    kinds: tuple[Kind, ...] = ()
    between_studies: BetweenStudies | None = None
    studies: tuple[Study, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    references: tuple[Reference, ...] = ()
