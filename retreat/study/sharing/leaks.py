"""The last look at what is about to leave: no key, code or date of the clinic, nothing that looks like a person."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from retreat.errors import Fault
from retreat.features import MISSING_CODES
from retreat.study.sharing.deidentified import INVENTED_SITE
from retreat.study.sharing.twin import TWIN_SITE
from retreat.tables.identifiers import masked, value_suspect

# shorter keys are words and numbers of any table too: they are sought in their own columns only
_SHORTEST = 6
_TOKEN = re.compile(r"[^\s,;\"'()\[\]{}:=<>]+")
_DATE = re.compile(r"(?:19|20)[0-9]{2}-[0-9]{2}-[0-9]{2}")
_KEYS, _CODES = ("case", "patient"), ("operator", "site")
_MEND = "nothing was written; report this with the version, and without the tables"


@dataclass(frozen=True)
class Originals:
    """What must not be found in anything that leaves.

    Parameters
    ----------
    keys : frozenset of str
        Keys of cases and patients in the clinic's tables.
    codes : frozenset of str
        Codes of operators and sites there.
    """

    keys: frozenset[str]
    codes: frozenset[str]

    @classmethod
    def of(cls, *, keys: Iterable[str], codes: Iterable[str]) -> Originals:
        """Without words that any shared table holds, whatever the clinic's own says."""
        ours = {*MISSING_CODES, INVENTED_SITE, TWIN_SITE}
        return cls(frozenset(keys) - ours, frozenset(codes) - ours)


def leaks(files: Mapping[str, bytes], originals: Originals) -> list[Fault]:
    r"""All that must not leave and is there nevertheless, masked.

    Parameters
    ----------
    files : mapping of str to bytes
        Content by name; tables end in .csv.
    originals : Originals
        What is sought.

    Examples
    --------
    >>> found = leaks({"cases.csv": b"case,operator\nMRN0042,Jane Smith\n"}, Originals.of(keys=["MRN0042"], codes=[]))
    >>> [(fault.row, fault.what) for fault in found]
    [(2, 'M... (7 characters) is a key of the clinic'), (2, "J... (10 characters) looks like a person's name")]
    """
    long = {key for key in originals.keys if len(key) >= _SHORTEST}
    found: dict[Fault, None] = {}
    for name, content in files.items():
        if name.endswith(".csv"):
            found |= dict.fromkeys(_in_table(name, content, originals))
        tokens = set(_TOKEN.findall(content.decode("utf-8", errors="replace")))
        told = {fault.value for fault in found if fault.where == name}
        for key in sorted(tokens & long):
            if masked(key) not in told:
                found[_fault(name, f"{masked(key)} is a key of the clinic", masked(key))] = None
    return list(found)


def _in_table(name: str, content: bytes, originals: Originals) -> Iterator[Fault]:
    lines = csv.reader(io.StringIO(content.decode("utf-8")))
    header = next(lines, [])
    is_data = "case" in header
    for row, line in enumerate(lines, start=2):
        for column, cell in zip(header, line, strict=True):
            why = _why(column, cell, originals) if is_data else ""
            if why:
                yield _fault(name, f"{masked(cell)} {why}", masked(cell), row=row, column=column)


def _why(column: str, cell: str, originals: Originals) -> str:
    # a number of a table is no telephone number, whatever its digits
    suspect = "" if re.fullmatch(r"-?[0-9.]+(?:e-?[0-9]+)?", cell) else value_suspect(cell)
    if suspect:
        return f"looks like {suspect}"
    if cell in originals.keys and (column in _KEYS or len(cell) >= _SHORTEST):
        return "is a key of the clinic"
    if column in _CODES and cell in originals.codes:
        return "is a code of the clinic"
    return "is a date" if _DATE.fullmatch(cell) else ""


def _fault(name: str, what: str, value: str, row: int | None = None, column: str | None = None) -> Fault:
    return Fault(name, what, "fresh keys, years, numbers and words of the schema", _MEND, row, column, value)
