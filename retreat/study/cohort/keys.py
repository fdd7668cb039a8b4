"""Names of counts that say what is counted, so that one count bears one name in every table."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from retreat.study.suppression.linked import Relation, adds_up, at_least

Unit = Literal["cases", "eyes", "patients", "sessions"]
# what the difference of two counts in different units tells, and what the groups of one count hold more than once
Difference = Literal["second eyes", "repeat cases", "further cases", "eyes again", "patients again"]
MISSING, KNOWN, ALL = "missing", "known", "all"
_AGAIN: dict[Unit | Difference, Difference] = {"eyes": "eyes again", "patients": "patients again"}
_MORE: tuple[Difference, ...] = ("second eyes", "repeat cases", "further cases")


@dataclass(frozen=True)
class Key:
    """The number of cases, eyes or patients of whom all of some things are true.

    Parameters
    ----------
    unit : {"cases", "eyes", "patients", "sessions"} or a difference of these
        What is counted; an eye or a patient counts once if any of its cases is meant.
    of : frozenset of (str, str)
        What is true of them; nothing stands for all cases that have begun.
    """

    unit: Unit | Difference
    of: frozenset[tuple[str, str]] = frozenset()

    def and_(self, name: str, level: object) -> Key:
        """The part of which one more thing is true.

        Examples
        --------
        >>> print(Key("cases").and_("opacity", "ring"))
        cases with opacity ring
        """
        return Key(self.unit, self.of | {(name, str(level))})

    def counted_in(self, unit: Unit | Difference) -> Key:
        """The same in another unit."""
        return Key(unit, self.of)

    def __str__(self) -> str:
        told = ", ".join(f"{name} {level}" for name, level in sorted(self.of))
        return f"{self.unit} with {told}" if told else self.unit


def of_group(unit: Unit, by: str, group: str) -> Key:
    """All of a group, or all there are."""
    return Key(unit) if group == ALL else Key(unit).and_(by, group)


@dataclass(frozen=True)
class Told:
    """What subtracting gives of counts, and what holds between all of them.

    Parameters
    ----------
    counts : dict of Key to int
        Differences that no table shows; a small one is protected like any other count.
    relations : list of Relation
        Between these and the counts they come from.
    """

    counts: dict[Key, int] = field(default_factory=dict)
    relations: list[Relation] = field(default_factory=list)

    def __or__(self, other: Told) -> Told:
        return Told(self.counts | other.counts, [*self.relations, *other.relations])


def splits(total: Key, parts: Iterable[Key], counts: Mapping[Key, int], *, among: str) -> Told:
    """What holds of groups that share no case: cases add up, a patient or an eye may be in several.

    Parameters
    ----------
    total : Key
        All.
    parts : iterable of Key
        The groups.
    counts : mapping of Key to int
        Of these at least.
    among : str
        What the groups are.

    Examples
    --------
    >>> whole, by_site = Key("patients"), [Key("patients").and_("site", site) for site in "ab"]
    >>> told = splits(whole, by_site, {whole: 40, by_site[0]: 25, by_site[1]: 18}, among="site")
    >>> [(str(key), n) for key, n in told.counts.items()]
    [('patients again with among site', 3)]
    """
    parts = tuple(parts)
    if total.unit not in _AGAIN:
        return Told(relations=[adds_up(total, parts)])
    if not parts:
        return Told()
    again = total.counted_in(_AGAIN[total.unit]).and_("among", among)
    together = Relation(((total, 1), (again, 1), *((part, -1) for part in parts)), equal=True)
    return Told(
        {again: sum(counts[part] for part in parts) - counts[total]},
        [together, *(at_least([total], part) for part in parts)],
    )


def units_agree(counts: Mapping[Key, int]) -> Told:
    """What anybody knows: eyes are first and second eyes of patients, cases are first and repeat cases of eyes.

    Examples
    --------
    >>> told = units_agree({Key("eyes"): 103, Key("patients"): 100})
    >>> [(str(key), n) for key, n in told.counts.items()]
    [('second eyes', 3)]
    """
    told = Told()
    for key in counts:
        patients, eyes, cases = (key.counted_in(unit) for unit in ("patients", "eyes", "cases"))
        if key == patients and eyes in counts:
            second = key.counted_in("second eyes")
            told |= _difference(eyes, patients, second, counts)
            told |= Told(relations=[at_least([patients], second)])
        elif key == patients and cases in counts:
            told |= _difference(cases, patients, key.counted_in("further cases"), counts)
        elif key == eyes and cases in counts:
            told |= _difference(cases, eyes, key.counted_in("repeat cases"), counts)
    return told


def differences_agree(total: Key, parts: Iterable[Key], counts: Mapping[Key, int], *, among: str) -> Told:
    """What anybody knows of the differences: a group has no more than all, a patient no more than two eyes.

    Parameters
    ----------
    total : Key
        All, in any unit.
    parts : iterable of Key
        The groups.
    counts : mapping of Key to int
        With the differences.
    among : str
        What the groups are.
    """
    eyes, patients = (total.counted_in(again).and_("among", among) for again in _AGAIN.values())
    pairs = ((total.counted_in(more), part.counted_in(more)) for part in parts for more in _MORE)
    relations = [at_least([whole], part) for whole, part in pairs if whole in counts and part in counts]
    if eyes in counts and patients in counts:
        relations.append(at_least([patients], eyes, times=2))
    return Told(relations=relations)


def _difference(more: Key, less: Key, rest: Key, counts: Mapping[Key, int]) -> Told:
    return Told({rest: counts[more] - counts[less]}, [adds_up(more, [less, rest])])
