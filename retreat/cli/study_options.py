"""Options of ``retreat report study``: refused before any work, and named in messages as the user typed them."""

from __future__ import annotations

import re
from math import isfinite
from pathlib import Path
from typing import Any

import click

# how a message of the library writes an argument: its name, an equals sign, its value in quotes
_ARGUMENT = re.compile(r"\b(penalty|by|definition)='(\w+)'")


def typed(text: str) -> str:
    """A message of the library in the words of the command line.

    Examples
    --------
    >>> typed("no finite estimate; to mend: use penalty='firth' or a ridge penalty")
    'no finite estimate; to mend: use --penalty firth or a ridge penalty'
    """
    return _ARGUMENT.sub(r"--\1 \2", text)


def only_file(name: str, path: Path) -> None:
    """Refuse a folder where a table is wanted.

    Raises
    ------
    TableError
        Naming the argument.
    """
    from retreat.errors import Fault, TableError

    if path.is_dir():
        raise TableError(Fault(name, f"{path}: this is a folder", "a file", "name the file in it"))


def penalty(_context: click.Context, _option: click.Parameter, text: str) -> Any:
    """A penalty by name, or a number from 0."""
    from retreat.study.series import PENALTIES

    if text in PENALTIES:
        return text
    try:
        strength = float(text)
    except ValueError:
        strength = -1.0
    if not isfinite(strength) or strength < 0.0:
        raise click.BadParameter(f"{text}: a number from 0, prior, firth or cv")
    return strength


def imputations(_context: click.Context, _option: click.Parameter, number: int | None) -> int | None:
    """None for the default, 0, or from 2."""
    from retreat.study.series import IMPUTED

    if number is not None and number not in IMPUTED:
        raise click.BadParameter(f"{number}: 0, or a whole number from 2 to {max(IMPUTED)}")
    return number


def folds(_context: click.Context, _option: click.Parameter, number: int) -> int:
    """0, or from 2."""
    from retreat.study.series import LEAST_FOLDS

    if number and number < LEAST_FOLDS:
        raise click.BadParameter(f"{number}: 0 for none, or a whole number from {LEAST_FOLDS}")
    return number


def group(_context: click.Context, _option: click.Parameter, name: str) -> str:
    """What cases may be told apart by."""
    from retreat.study.cohort.studied import told_apart_by

    if name not in told_apart_by():
        raise click.BadParameter(f"{name}: one of {', '.join(told_apart_by())}")
    return name
