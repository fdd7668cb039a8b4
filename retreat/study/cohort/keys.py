"""Names of counts that say what is counted, so that one count bears one name in every table."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from retreat.study.suppression.linked import Relation, adds_up, at_least

Unit = Literal["cases", "eyes", "patients", "sessions"]
MISSING, KNOWN, ALL = "missing", "known", "all"


@dataclass(frozen=True)
class Key:
    """The number of cases, eyes or patients of whom all of some things are true.

    Parameters
    ----------
    unit : {"cases", "eyes", "patients", "sessions"}
        What is counted; an eye or a patient counts once if any of its cases is meant.
    of : frozenset of (str, str)
        What is true of them; nothing stands for all cases that have begun.
    """

    unit: Unit
    of: frozenset[tuple[str, str]] = frozenset()

    def and_(self, name: str, level: object) -> Key:
        """The part of which one more thing is true.

        Examples
        --------
        >>> print(Key("cases").and_("opacity", "ring"))
        cases with opacity ring
        """
        return Key(self.unit, self.of | {(name, str(level))})

    def counted_in(self, unit: Unit) -> Key:
        """The same in another unit."""
        return Key(unit, self.of)

    def __str__(self) -> str:
        told = ", ".join(f"{name} {level}" for name, level in sorted(self.of))
        return f"{self.unit} with {told}" if told else self.unit


def of_group(unit: Unit, by: str, group: str) -> Key:
    """All of a group, or all there are."""
    return Key(unit) if group == ALL else Key(unit).and_(by, group)


def splits(total: Key, parts: Iterable[Key]) -> Iterator[Relation]:
    """What holds of groups that share no case: cases add up, a patient or an eye may be in several."""
    parts = tuple(parts)
    if total.unit in ("cases", "sessions"):
        yield adds_up(total, parts)
    elif parts:
        yield at_least(parts, total)
        yield from (at_least([total], part) for part in parts)


def units_agree(counts: Mapping[Key, int]) -> Iterator[Relation]:
    """What anybody knows: no more eyes than cases, one or two eyes a patient."""
    for key in counts:
        if key.unit == "patients":
            for more in ("cases", "eyes"):
                if key.counted_in(more) in counts:
                    yield at_least([key.counted_in(more)], key)
            if key.counted_in("eyes") in counts:
                yield at_least([key], key.counted_in("eyes"), times=2)
        elif key.unit == "eyes" and key.counted_in("cases") in counts:
            yield at_least([key.counted_in("cases")], key)
