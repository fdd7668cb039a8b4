"""The identifier guard for whole columns of keys: do they look drawn at random, or counted by a record system?"""

from __future__ import annotations

import math
import re
import string
from collections.abc import Sequence

_CHANCE = 0.01  # a column is refused when chance would do as much less often than this
_NUMBERED = re.compile(r"([A-Za-z]{0,6}[-_]?)([0-9]{5,})")


def digit_keys(keys: Sequence[str]) -> tuple[str, ...]:
    """Keys of five or more digits alone, unless chance explains them.

    Among random keys of one length over an alphabet of a letters and digits, the number of keys without a
    letter is about Poisson with mean n (10 / a)^length. One such key among a hundred hexadecimal keys of eight
    is nothing to wonder at; one among a hundred of 36 letters and digits is.

    Parameters
    ----------
    keys : sequence of str
        The distinct keys of a column.

    Returns
    -------
    tuple of str
        The keys that look like record numbers; empty if none, or if chance explains them.

    Examples
    --------
    >>> digit_keys(["k7f3q9zt", "00481516", "p2xx81ma"])
    ('00481516',)
    >>> digit_keys([f"{i:04x}c0de" for i in range(100)] + ["23421234"])
    ()
    """
    digits = tuple(key for key in keys if len(key) >= 5 and key.isascii() and key.isdecimal())
    if not digits or 2 * len(digits) > len(keys):
        return digits
    lengths = {len(key) for key in keys}
    alphabet = _alphabet(set("".join(keys)))
    if len(lengths) > 1 or alphabet is None:
        return digits
    expected = len(keys) * (10 / alphabet) ** lengths.pop()
    return () if _poisson_tail(expected, len(digits)) >= _CHANCE else digits


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
    if len({when for when, _ in by_date}) < 10 or max(numbers) <= 2 * len(keys):
        return False
    # cases of one date may stand in any order, so steps are counted between dates only
    steps = [b[1] > a[1] for a, b in zip(by_date, by_date[1:], strict=False) if b[0] > a[0]]
    return sum(steps) >= 0.95 * len(steps)


def _alphabet(letters: set[str]) -> int | None:
    """How many characters a random key was drawn from, at the least; None if it is no plain alphabet."""
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


def _poisson_tail(mean: float, count: int) -> float:
    """Probability that a Poisson variable reaches the count."""
    below = sum(math.exp(-mean + k * math.log(mean) - math.lgamma(k + 1)) for k in range(count))
    return 1.0 - below
