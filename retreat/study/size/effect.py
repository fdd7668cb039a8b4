"""What a study is to tell: an effect to be found, an eye whose chance is to be known; and what is wrong with either."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from retreat.coding import Coding
from retreat.definitions import Definition
from retreat.errors import Fault
from retreat.features import FEATURES
from retreat.study.size.arguments import above


@dataclass(frozen=True)
class Effect:
    """An effect that the study is to find.

    Parameters
    ----------
    column : str
        Column of the coding, such as ``corneal_surgery=yes``.
    end : str
        Which end.
    odds_ratio : float, above 0
        Odds of the end at a session against going on, multiplied by this for one unit of the column; with the
        cloglog link the rate.
    """

    column: str
    end: str
    odds_ratio: float


def effect_faults(effect: Effect | None, definition: Definition, coding: Coding) -> list[Fault | None]:
    """What is wrong with an effect."""
    if effect is None:
        return []
    faults: list[Fault | None] = [above("odds_ratio", effect.odds_ratio)]
    if effect.column not in coding.names:
        faults.append(Fault("effect", f"{effect.column!r}", ", ".join(map(repr, coding.names))))
    if effect.end not in definition.ends:
        faults.append(Fault("effect, end", f"{effect.end!r}", ", ".join(map(repr, definition.ends))))
    return faults


def typical_faults(
    given: Mapping[str, object], usual: Mapping[str, str | float], coding: Coding
) -> list[Fault]:
    """What is wrong with features of a typical eye, beside those of the usual one."""
    faults = [
        Fault("typical", f"{name!r} is no feature of the definition", ", ".join(usual))
        for name in given
        if name not in usual
    ]
    for name, value in given.items():
        if name in usual:
            faults += _value_faults(name, value, usual[name], coding)
    return faults


def _value_faults(name: str, value: object, usual: str | float, coding: Coding) -> list[Fault]:
    where, feature = f"typical, {name}", FEATURES[name]
    wants = str if isinstance(usual, str) else (int, float)
    if isinstance(value, bool) or not isinstance(value, wants):
        return [Fault(where, f"{value!r}", f"such as {usual!r}")]
    if isinstance(value, str):
        coded = [set(term.levels) for term in coding.terms if term.levels and name in term.features]
        levels = [level for level in feature.levels if all(level in one for one in coded)]
        return [] if value in levels else [Fault(where, f"{value!r}", ", ".join(levels))]
    low = float("-inf") if feature.low is None else feature.low
    high = float("inf") if feature.high is None else feature.high
    if low <= float(value) <= high:
        return []
    return [Fault(where, f"{value!r}", f"a number from {low:g} to {high:g}")]
