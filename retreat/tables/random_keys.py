"""The identifier guard for whole columns of keys: drawn at random, or taken from a record system."""

from __future__ import annotations

import itertools
import math
import re
import string
from collections import Counter
from collections.abc import Sequence

from retreat.tables.identifiers import key_form

_CHANCE = 0.01  # more keys of digits alone than chance gives this often, and the column is refused
_FEWEST = 10  # keys of one length from which a way of drawing them can be told
_NUMBERED = re.compile(r"([A-Za-z]{0,6}[-_]?)([0-9]{5,})")


def suspect_keys(keys: Sequence[str]) -> dict[str, str]:
    """Keys that look like names, dates or record numbers, unless chance explains them.

    Keys drawn at random have one length, and some of them look like a name or a number. So among keys of the
    usual length a few such are let pass; not so where half of them are. Keys without a letter are counted:
    among n keys of one length from an alphabet of a, their number is about Poisson with mean
    n (10 / a)^length. One among a hundred hexadecimal keys of eight is nothing to wonder at; one among a
    hundred of 36 letters and digits is.

    Parameters
    ----------
    keys : sequence of str
        The distinct keys of a column.

    Returns
    -------
    dict of str
        Key, what it looks like.

    Examples
    --------
    >>> suspect_keys(["k7f3q9zt", "00481516", "p2xx81ma"])
    {'00481516': 'a record number'}
    >>> suspect_keys([f"{i:04x}c0de" for i in range(100)] + ["23421234"])
    {}
    """
    forms = {key: form for key in keys if (form := key_form(key))}
    if not forms:
        return {}
    length = _usual_length(keys)
    drawn = [key for key in keys if len(key) == length]
    digits = [key for key in drawn if key.isdecimal()]
    words = [key for key in drawn if key in forms and not key.isdecimal()]
    if not _by_chance(drawn, digits):
        digits = []
    if len(drawn) < _FEWEST or 2 * len(words) >= len(drawn):
        words = []
    explained = {*digits, *words}
    return {key: form for key, form in forms.items() if key not in explained}


def run_with_date(keys: Sequence[str], dates: Sequence[str]) -> bool:
    """Whether numbered keys rise with the date, as the numbers of a record system do.

    A plain count of the cases in the table (1, 2, ..., n, however padded) is no record number and passes.

    Parameters
    ----------
    keys : sequence of str
        One key a case.
    dates : sequence of str, same length
        ISO dates or years; other words are left out.

    Returns
    -------
    bool

    Examples
    --------
    >>> dates = [f"20{year}-01-15" for year in range(10, 22)]
    >>> run_with_date([f"H{448100 + 97 * i}" for i in range(12)], dates)
    True
    >>> run_with_date([f"p{i:05d}" for i in range(12)], dates)
    False
    """
    found = [_NUMBERED.fullmatch(key) for key in keys]
    numbered = [match for match in found if match]
    if len(numbered) < len(keys) or len({match[1] for match in numbered}) > 1:
        return False
    numbers = [int(match[2]) for match in numbered]
    by_date = sorted(
        (when, number) for when, number in zip(dates, numbers, strict=True) if when[:4].isdecimal()
    )
    if len({when for when, _ in by_date}) < _FEWEST or max(numbers) <= 2 * len(keys):
        return False
    # cases of one date may stand in any order, so steps are counted between dates only
    steps = [later[1] > earlier[1] for earlier, later in itertools.pairwise(by_date) if later[0] > earlier[0]]
    return sum(steps) >= 0.95 * len(steps)


def _usual_length(keys: Sequence[str]) -> int:
    return Counter(map(len, keys)).most_common(1)[0][0]


def _by_chance(drawn: Sequence[str], digits: Sequence[str]) -> bool:
    """Whether as many keys without a letter turn up by chance among keys of one length."""
    alphabet = _alphabet(set("".join(drawn)))
    if alphabet is None or 2 * len(digits) >= len(drawn):
        return False
    mean = len(drawn) * (10 / alphabet) ** len(drawn[0])
    below = sum(math.exp(-mean + k * math.log(mean) - math.lgamma(k + 1)) for k in range(len(digits)))
    return 1.0 - below >= _CHANCE


def _alphabet(letters: set[str]) -> int | None:
    """How many characters the keys were drawn from, at the least; None if it is no plain alphabet."""
    for alphabet in (
        string.digits + "abcdef",
        string.digits + "ABCDEF",
        string.digits + string.ascii_lowercase,
        string.digits + string.ascii_uppercase,
        string.digits + string.ascii_letters,
    ):
        if letters <= set(alphabet):
            return len(alphabet)
    return None
