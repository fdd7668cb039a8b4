"""The lists of a reporting form, in our own words: what each entry is about, whom it applies to, what it asks."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal

Applies = Literal["D", "E", "D;E"]
Fill = Literal["data", "confirm", "ask"]
# the lists, in the order of a form; names of the files, and of the tables of an answers file
LISTS = ("tripod_ai", "tripod_cluster", "probast_ai")


@dataclass(frozen=True)
class Entry:
    """One entry of a list.

    Parameters
    ----------
    id : str
        Its number there.
    section : str
        Part of the list.
    applies : {"D", "E", "D;E"}
        Development, evaluation, or both.
    fill : {"data", "confirm", "ask"}
        Whether model and data can fill it, can begin to and a person must look it over, or only a person can.
    about : str
        What it wants told, in our words.
    ask : str
        The question to a person.
    """

    id: str
    section: str
    applies: Applies
    fill: Fill
    about: str
    ask: str

    @property
    def item(self) -> str:
        """Number of the item it is part of: 12 of 12c."""
        return self.id.rstrip("abcdefgh") if self.id[0].isdigit() else self.id


@dataclass(frozen=True)
class Checklist:
    """A list.

    Parameters
    ----------
    key, name : str
        Short and full name.
    sources : tuple of str
        Where it comes from.
    entries : tuple of Entry
        In order.
    """

    key: str
    name: str
    sources: tuple[str, ...]
    entries: tuple[Entry, ...]


@cache
def checklist(key: str) -> Checklist:
    """One of the lists.

    Parameters
    ----------
    key : {"tripod_ai", "tripod_cluster", "probast_ai"}
        Which.

    Examples
    --------
    >>> found = checklist("tripod_ai")
    >>> len(found.entries), found.entries[0].about
    (52, 'The title says whether a model is made or tested, for whom, and for what end.')
    """
    path = Path(__file__).parent / "lists" / f"{key}.toml"
    data: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
    return Checklist(key, data["name"], tuple(data["sources"]), tuple(Entry(**one) for one in data["entry"]))
