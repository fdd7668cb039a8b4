"""The last look at what is about to leave: no key, code or date of the clinic, nothing that looks like a person."""

from __future__ import annotations

import csv
import io
import json
import re
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from retreat.errors import Fault
from retreat.features import MISSING_CODES
from retreat.study.sharing.deidentified import INVENTED_SITE
from retreat.study.sharing.own_words import in_lower_case, own_sentences, own_words
from retreat.study.sharing.twin import TWIN_SITE
from retreat.tables.identifiers import masked, value_suspect

# shorter numbers are counts and measures of any text too: they are sought in their own columns only
_SHORTEST = 6
# shorter codes are letters of any text too
_SHORTEST_CODE = 3
# when a model was made tells of no patient
_DATED = frozenset({"created", "date"})
_TOKEN = re.compile(r"[^\s,;\"'()\[\]{}:=<>]+")
_RUN = re.compile(r"\w+")
_DATE = re.compile(r"(?:19|20)[0-9]{2}-[0-9]{2}-[0-9]{2}")
_KEYS, _CODES = ("case", "patient"), ("operator", "site")
_MEND = "nothing was written; report this with the version, and without the tables"
_MEND_TEXT = "nothing was written; look for it in the model's title and notes, or give the code another name"


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
        Content by name; tables end in .csv, saved models in .retreat.
    originals : Originals
        What is sought.

    Examples
    --------
    >>> found = leaks({"cases.csv": b"case,operator\nMRN0042,Jane Smith\n"}, Originals.of(keys=["MRN0042"], codes=[]))
    >>> [(fault.row, fault.what) for fault in found]
    [(2, 'M... (7 characters) is a key of the clinic'), (2, "J... (10 characters) looks like a person's name")]
    """
    long = {key for key in originals.keys if len(key) >= _SHORTEST}
    sought = {word.casefold(): "a key of the clinic" for word in originals.keys if _is_telling(word)}
    sought |= {
        word.casefold(): "a code of the clinic"
        for word in originals.codes
        if len(word) >= _SHORTEST_CODE and _is_telling(word)
    }
    found: dict[Fault, None] = {}
    for name, content in files.items():
        is_table = name.endswith(".csv")
        if is_table:
            found |= dict.fromkeys(_in_table(name, content, originals))
        tokens = set(_TOKEN.findall(content.decode("utf-8", errors="replace")))
        told = {fault.value for fault in found if fault.where == name}
        for key in sorted(tokens & long):
            if masked(key) not in told:
                found[_fault(name, f"{masked(key)} is a key of the clinic", masked(key))] = None
                told.add(masked(key))
        texts = list(_texts(name, content))
        words = set(_RUN.findall("\n".join(texts).casefold()))
        near = {word: what for word, what in sought.items() if words.issuperset(_RUN.findall(word))}
        for text in texts:
            for fault in _in_text(name, text, near, judge_form=not is_table):
                if fault.value not in told:
                    found[fault] = None
    return list(found)


def _is_telling(word: str) -> bool:
    """Whether a word found in a text is more than a count or a word of the program's own."""
    if re.fullmatch(r"[0-9.]+", word):
        return len(word) >= _SHORTEST
    return word.casefold() not in own_words()


def _texts(name: str, content: bytes) -> Iterator[str]:
    """What a file says in words: the strings of a model and of JSON, the lines of anything else."""
    if name.endswith(".retreat"):
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            yield from _strings(json.loads(archive.read("model.json")))
    elif name.endswith(".json"):
        yield from _strings(json.loads(content))
    else:
        yield from content.decode("utf-8", errors="replace").splitlines()


def _strings(value: object, name: str = "") -> Iterator[str]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield str(key)
            yield from _strings(inner, str(key))
    elif isinstance(value, list):
        for inner in value:
            yield from _strings(inner, name)
    elif isinstance(value, str) and not (name in _DATED and _DATE.fullmatch(value)):
        yield value


def _in_text(name: str, text: str, sought: Mapping[str, str], *, judge_form: bool) -> Iterator[Fault]:
    for word, what in sought.items():
        there = re.search(rf"(?<!\w){re.escape(word)}(?!\w)", text, re.IGNORECASE)
        if there:
            yield _fault(name, f"{masked(there[0])} is {what}", masked(there[0]), fix=_MEND_TEXT)
    # a README sets cautions in bold
    ours = text.removeprefix("**").removesuffix("**") in own_sentences()
    suspect = value_suspect(in_lower_case(text)) if judge_form and not ours else ""
    if suspect:
        yield _fault(name, f"{masked(text)} looks like {suspect}", masked(text), fix=_MEND_TEXT)


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


def _fault(
    name: str, what: str, value: str, row: int | None = None, column: str | None = None, fix: str = _MEND
) -> Fault:
    return Fault(name, what, "fresh keys, years, numbers and words of the schema", fix, row, column, value)
