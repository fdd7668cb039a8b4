"""Values of options that are refused: wrong usage, told by the option before any work."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace

import click

from retreat.errors import Fault, RetreatError

_QUOTED = re.compile(r"'([^'\n]*)'")


@contextmanager
def wrong_usage(options: Mapping[str, str], hints: Mapping[str, str] | None = None) -> Iterator[None]:
    """Turn faults of arguments into wrong usage of the options that stand for them; other errors pass.

    Parameters
    ----------
    options : mapping of str to str
        Names of arguments as faults tell them, and their options.
    hints : mapping of str to str, optional
        What to do where a fault does not say, by option.

    Raises
    ------
    click.UsageError
        If every fault is of one of these arguments.

    Examples
    --------
    >>> from retreat.errors import FitError
    >>> try:
    ...     with wrong_usage({"lost": "--lost"}, {"--lost": "give a share"}):
    ...         raise FitError(Fault("lost", "2.0", "a number from 0 to 0.9"))
    ... except click.UsageError as error:
    ...     print(error.message)
    --lost: 2.0; allowed: a number from 0 to 0.9; to mend: give a share
    """
    try:
        yield
    except RetreatError as error:
        told = [_line(fault, options, hints or {}) for fault in error.faults]
        if not all(told):
            raise
        raise click.UsageError("\n".join(told)) from None


@contextmanager
def told_by(names: Mapping[str, str], words: Callable[[str], str] = str) -> Iterator[None]:
    """Tell faults of these arguments by the names that the command gives them.

    Parameters
    ----------
    names : mapping of str to str
        Names of arguments as faults tell them, and how the command writes them.
    words : callable
        What was found and what to do, in the words of the command; as they are by default.

    Raises
    ------
    RetreatError
        The same, by other names.

    Examples
    --------
    >>> from retreat.errors import TableError
    >>> with told_by({"cases": "CASES"}):
    ...     raise TableError(Fault("cases", "too few patients"))
    Traceback (most recent call last):
    retreat.errors.TableError: CASES: too few patients
    """
    try:
        yield
    except RetreatError as error:
        raise type(error)(
            replace(
                fault,
                where=fault.where if fault.row is not None else names.get(fault.where, fault.where),
                what=words(fault.what),
                fix=words(fault.fix),
            )
            for fault in error.faults
        ) from None


def _line(fault: Fault, options: Mapping[str, str], hints: Mapping[str, str]) -> str:
    """A fault in the words of its option; empty where it is of none."""
    from retreat.cli.meant import with_nearest

    head, _, part = fault.where.partition(", ")
    option = options.get(fault.where) or f"{options.get(head, '')} {part}".strip()
    if fault.row is not None or not option.startswith("--"):
        return ""
    told = with_nearest(fault)
    # quotation marks would be Python's, not the user's
    line = f"{option}: {_QUOTED.sub('\\g<1>', told.what)}"
    if told.allowed:
        line += f"; allowed: {_QUOTED.sub('\\g<1>', told.allowed)}"
    fix = told.fix or hints.get(option.partition(" ")[0], "")
    if fix:
        line += f"; to mend: {fix}"
    return line
