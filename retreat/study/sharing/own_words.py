"""Words and sentences that the program itself writes into a folder: a code that is one cannot be told from them."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import retreat

# of these parts come the texts, names and levels that a folder holds
_PARTS = (
    *("study/sharing", "features", "definitions", "model", "fitting", "coding", "checks", "updating"),
    "tables/schema.py",
)
_WORD = re.compile(r"(?<!\w)[a-z]{2,}(?!\w)")
# names of programs and signs that stand in a README as they are written there
_NAMES = frozenset(
    {"sha", "readme", "json", "table", "schema", "data", "package", "rule", "markdown", "no", "yes"}
)


@cache
def own_words() -> frozenset[str]:
    """Words of the program's own text in lower case; what it writes with a capital, as names of people are, is none.

    Examples
    --------
    >>> {"relieved", "sessions"} <= own_words(), "Smith".lower() in own_words()
    (True, False)
    """
    home = Path(retreat.__file__).parent
    found = set(_NAMES)
    for part in _PARTS:
        place = home / part
        for path in [place] if place.is_file() else place.rglob("*.py"):
            found |= set(_WORD.findall(path.read_text(encoding="utf-8").replace("_", " ")))
    return frozenset(found)


@cache
def own_sentences() -> frozenset[str]:
    """Sentences that a model of published averages says of itself: they name authors of reports, who are no patients.

    They are those of the definitions shipped with the program alone, word for word: whatever a definition of the
    clinic's own says is judged like any other text.

    Examples
    --------
    >>> sorted(sentence.partition(":")[0] for sentence in own_sentences())
    ['Built from', 'published results by their rows in the definition']
    """
    from retreat.definitions import read_definition, shipped

    found: set[str] = set()
    for name in shipped():
        studies = read_definition(name).studies
        if studies:
            found.add(f"Built from: {', '.join(dict.fromkeys(study.practice for study in studies))}.")
            rows = "; ".join(f"{study.practice} {', '.join(study.ids)}" for study in studies)
            found.add(f"published results by their rows in the definition: {rows}")
    return frozenset(found)


def in_lower_case(text: str) -> str:
    """The text with the program's own words in lower case, so that only others can look like names.

    Examples
    --------
    >>> in_lower_case("Sessions of Jane Smith")
    'sessions of Jane Smith'
    """
    words = own_words()
    return re.sub(r"[A-Za-z]+", lambda m: m[0].lower() if m[0].lower() in words else m[0], text)
