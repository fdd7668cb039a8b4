"""Direction, range and ideal value of every measure, as data."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module
from typing import Literal

Direction = Literal["higher", "lower", "target"]


@dataclass(frozen=True)
class Measure:
    """What the values of a measure mean.

    Parameters
    ----------
    name : str
        The function or the field of a record that holds the value.
    label : str
        Its name in words.
    low, high : float
        Range of possible values; infinite where there is no bound.
    ideal : float
        Value of predictions that could not be better.
    direction : {"higher", "lower", "target"}
        Whether higher or lower is better, or the ideal may be missed on both sides.

    Examples
    --------
    >>> Measure("brier", "Brier score", 0.0, 1.0, 0.0, "lower").ideal
    0.0
    """

    name: str
    label: str
    low: float
    high: float
    ideal: float
    direction: Direction


def measures() -> dict[str, Measure]:
    """Every measure of this package by name, found in its modules.

    Returns
    -------
    dict of str to Measure

    Examples
    --------
    >>> measures()["slope"].ideal
    1.0
    >>> measures()["concordance"].direction
    'higher'
    """
    from pkgutil import iter_modules  # only whoever asks for the whole list pays for the search

    import retreat.validation as package

    modules = (import_module(f"{package.__name__}.{found.name}") for found in iter_modules(package.__path__))
    return {measure.name: measure for module in modules for measure in getattr(module, "MEASURES", ())}
