"""The allowed word that was probably meant."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from retreat.errors import Fault

_WORD = re.compile(r"'([^']*)'|([\w+]+)")
_WORDS = re.compile(r"(?:'[^']*'|[\w+]+)(?:, (?:'[^']*'|[\w+]+))*")
_OR_A_NUMBER = " or a number from 0"


def with_nearest(fault: Fault) -> Fault:
    """The fault of a word that is none of those listed, with the nearest of them; others as they are.

    Parameters
    ----------
    fault : Fault
        `what` the word as written, `allowed` the list.

    Examples
    --------
    >>> with_nearest(Fault("--by", "'operater'", "operator, site, period")).fix
    'did you mean operator?'
    >>> with_nearest(Fault("--seed", "-1", "a whole number from 0")).fix
    ''
    """
    given = re.fullmatch(r"'([^']*)'", fault.what)
    listed = fault.allowed.removesuffix(_OR_A_NUMBER)
    if fault.fix or given is None or not _WORDS.fullmatch(listed):
        return fault
    words = [quoted or bare for quoted, bare in _WORD.findall(listed)]
    return replace(fault, fix=did_you_mean(given[1], words))


def did_you_mean(given: str, words: Sequence[str]) -> str:
    """A question with the word most like the one given; empty where none is like it.

    Examples
    --------
    >>> did_you_mean("forcast", ["fit", "forecast"])
    'did you mean forecast?'
    """
    from retreat.tables.nearest import nearest

    near = nearest(given, words)
    return f"did you mean {near}?" if near else ""
