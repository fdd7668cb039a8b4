"""Whether cases of a practice may be among those a model was made from, as far as a saved model can tell.

A saved model holds no row, only the years of its cases, the day it was made and a fingerprint that knows the very
same cases again, in any order. So cases are new for sure only where time says so; else the user knows, and nothing
here does.
"""

from __future__ import annotations

from datetime import date, timedelta

from retreat.errors import Fault, FitError
from retreat.model.card import ModelCard
from retreat.updating.practice import Practice

STATED = "it was stated that no case of the update is among those the model was made from"
SHARED = "cases of the update may be among those the model was made from: no verdict could be drawn from them"


def refuse_its_own(card: ModelCard, practice: Practice) -> None:
    """Refuse the very cases a model was made from: they would count twice, and flatter it.

    Raises
    ------
    FitError
        If the cases are those of the model or of one it was made from.
    """
    made_from = {card.data_fingerprint, *(one.data_fingerprint for one in card.lineage)}
    if practice.fingerprint in made_from:
        what = "the model was made from these very cases"
        raise FitError(Fault("cases", what, "cases it has not seen", "update it on those that came since"))


def new_from(card: ModelCard) -> str:
    """Day from which a case cannot be one that the model or one before it was made from; empty where none was.

    A model was made from cases that had started by the last of its years and by the day it was made. Of models
    before it only that day is known.
    """
    sources = [(card.n_cases, card.created, card.years), *((a.n_cases, a.created, ()) for a in card.lineage)]
    days = []
    for n, created, years in sources:
        if not n:  # published averages
            continue
        after = [_next_day(created), *([f"{max(years) + 1}-01-01"] if years else [])]
        days.append(min(after))
    return max(days, default="")


def shared_because(card: ModelCard, practice: Practice) -> str:
    """Why it cannot be excluded that a case was seen by the model; empty where it can."""
    first_new = new_from(card)
    if not first_new or (practice.earliest and practice.earliest >= first_new):
        return ""
    if not card.lineage and card.years and practice.earliest and max(practice.years) < min(card.years):
        return ""
    theirs = f"its cases are of {_span(card.years)}" if card.years else "the years of its cases are not known"
    older = " and those of the models before it of years that are not known" if _has_older(card) else ""
    ours = f"these of {_span(practice.years)}" if practice.years else "those of these neither"
    return (
        f"it cannot be excluded that the model has seen some of these cases ({theirs}{older}, {ours}). Use only "
        f"cases started since (since='{first_new}', --since {first_new}), or state that no case is shared "
        "(other_practice=True, --other-practice)"
    )


def _has_older(card: ModelCard) -> bool:
    return any(one.n_cases for one in card.lineage)


def _next_day(created: str) -> str:
    try:
        return (date.fromisoformat(created) + timedelta(days=1)).isoformat()
    except ValueError:  # a card of unknown date excludes nothing
        return "9999-12-31"


def _span(years: tuple[int, ...]) -> str:
    return f"{min(years)}" if min(years) == max(years) else f"{min(years)} to {max(years)}"
