"""The crosswalk: which random key stands for whom. It stays in the clinic.

Keys are drawn by the operating system's source of chance, never from the originals nor from a seed: whoever holds the
folder, this program and the seed can compute none of them, not even for a guessed record number. Identical bytes on a
second run come from the crosswalk file alone, which hands out the keys it gave before. A run with a new crosswalk gives
other keys and another order of rows, so that two recipients who were each given a folder of its own cannot join them by
key.
"""

from __future__ import annotations

import csv
import io
import re
import secrets
from collections.abc import Iterable
from pathlib import Path

from retreat.errors import Fault, TableError
from retreat.tables.identifiers import key_form, value_suspect

# of which a key is drawn: no vowels, so that no word comes about; no 0, 1, i, l, o, which are read for each other
_LETTERS = "bcdfghjkmnpqrstvwxz"
_ALPHABET = _LETTERS + "23456789"
# what a key stands for, with how it begins and how many characters are drawn: 27^9 keys are 7.6 million million
_FORMS = {
    "case": ("c", 9),
    "patient": ("p", 9),
    # a case whose patient's other cases would give the patient away stands alone
    "patient_of_case": ("p", 9),
    "operator": ("op_", 5),
    "site": ("site_", 5),
}
_INVENTED = "invented_"
_HEADER = ["what", "original", "shared"]
_FIX = "give the file an earlier run wrote, unchanged, or name a new one"


class Crosswalk:
    """Keys given so far; a key asked for the first time is drawn.

    Parameters
    ----------
    given : mapping of (str, str) to str
        Shared key by what it stands for and its original.
    """

    def __init__(self, given: dict[tuple[str, str], str] | None = None) -> None:
        self._shared = dict(given or {})
        self._taken = set(self._shared.values())

    def __len__(self) -> int:
        """How many keys were given."""
        return len(self._shared)

    def key(self, what: str, original: str) -> str:
        """The shared key of an original.

        Parameters
        ----------
        what : str
            ``case``, ``patient``, ``patient_of_case``, ``operator`` or ``site``.
        original : str
            As in the clinic's tables.

        Examples
        --------
        >>> crosswalk = Crosswalk()
        >>> crosswalk.key("case", "k7") == crosswalk.key("case", "k7")
        True
        >>> len(crosswalk.key("case", "k7")), crosswalk.key("site", "invented_1")[:9]
        (10, 'invented_')
        """
        found = self._shared.get((what, original))
        if found is None:
            found = self._shared[what, original] = self._drawn(what, original)
            self._taken.add(found)
        return found

    def keys(self, what: str, originals: Iterable[str]) -> list[str]:
        """The shared keys of several originals."""
        return [self.key(what, original) for original in originals]

    def originals(self, *what: str) -> set[str]:
        """Originals of these kinds."""
        return {original for kind, original in self._shared if kind in what}

    def _drawn(self, what: str, original: str) -> str:
        start, length = _FORMS[what]
        if what == "site" and original.startswith(_INVENTED):
            start = _INVENTED  # whoever gets invented data must see that they are
        originals = self.originals(what)
        while True:
            key = start + "".join(secrets.choice(_ALPHABET) for _ in range(length))
            # chance also writes what looks like a record number, now and then
            if key not in self._taken | originals and not (key_form(key) or value_suspect(key)):
                return key

    def content(self) -> bytes:
        """The file."""
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(_HEADER)
        writer.writerows((*entry, shared) for entry, shared in sorted(self._shared.items()))
        return text.getvalue().encode("utf-8")


def read_crosswalk(path: Path) -> Crosswalk:
    """The crosswalk in a file; an empty one where there is no file yet.

    Parameters
    ----------
    path : Path
        As an earlier run wrote it.

    Raises
    ------
    TableError
        If the file cannot be read, is no crosswalk, or gives one key twice; an original is never repeated.
    """
    try:
        text = path.read_bytes().decode("utf-8")
    except FileNotFoundError:
        return Crosswalk()
    except (OSError, UnicodeDecodeError) as error:
        raise TableError(Fault(str(path), f"cannot be read ({error})", "a crosswalk", _FIX)) from None
    lines = list(csv.reader(io.StringIO(text)))
    if not lines or lines[0] != _HEADER:
        allowed = f"a crosswalk: columns {', '.join(_HEADER)}"
        raise TableError(Fault(str(path), "the first row names other columns", allowed, _FIX))
    given: dict[tuple[str, str], str] = {}
    faults = []
    for row, line in enumerate(lines[1:], start=2):
        fault = _line_fault(line, given)
        if fault:
            faults.append(Fault(str(path), fault, "one original and one random key a row", _FIX, row=row))
        else:
            given[line[0], line[1]] = line[2]
    if faults:
        raise TableError(faults)
    return Crosswalk(given)


def _line_fault(line: list[str], given: dict[tuple[str, str], str]) -> str:
    if len(line) != len(_HEADER) or line[0] not in _FORMS or not line[1]:
        return "not a row of a crosswalk"
    if (line[0], line[1]) in given:
        return "an original stands twice"
    if line[2] in given.values():
        return "a key stands twice"
    start, length = _FORMS[line[0]]
    start = f"(?:{start}|{_INVENTED})" if line[0] == "site" else start
    if not re.fullmatch(f"{start}[{_ALPHABET}]{{{length}}}", line[2]):
        return "a key that was not drawn here"
    return ""
