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
    """Every measure of this package by name, found in the modules of its public functions.

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
    # through the table of public names, and not every module: those that fit models need far more than numpy
    from retreat.validation import _HOMES

    modules = (import_module(f"retreat.validation.{home}") for home in sorted(set(_HOMES.values())))
    return {measure.name: measure for module in modules for measure in getattr(module, "MEASURES", ())}
