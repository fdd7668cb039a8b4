"""Model definitions: what a model predicts, its terms, priors and reasons, read from one TOML file each."""

from retreat.definitions.definition import ENDS, LAST_SESSION, Definition
from retreat.definitions.entries import (
    Gates,
    Groups,
    Outcome,
    Prior,
    Reference,
    SessionEffect,
    Sessions,
    Spread,
    TermEntry,
)
from retreat.definitions.reading import read_definition, shipped
from retreat.definitions.studies import BetweenStudies, Kind, LeftOut, Lost, Study

__all__ = [
    "ENDS",
    "LAST_SESSION",
    "BetweenStudies",
    "Definition",
    "Gates",
    "Groups",
    "Kind",
    "LeftOut",
    "Lost",
    "Outcome",
    "Prior",
    "Reference",
    "SessionEffect",
    "Sessions",
    "Spread",
    "Study",
    "TermEntry",
    "read_definition",
    "shipped",
]
