"""Values of a scenario checked one by one; what is wrong is told in one line."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np


class ScenarioError(ValueError):
    """A scenario, or a place to write to, was refused; the message is one line."""


def table(name: str, value: object) -> dict[str, Any]:
    """Return a table of a TOML file, or raise `ScenarioError`."""
    if not isinstance(value, dict):
        raise ScenarioError(f"{name} = {value!r}; allowed: a table [{name}]")
    return value


def number(name: str, value: object, low: float, high: float) -> float:
    """Return a number within its bounds as a float, or raise `ScenarioError`."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise ScenarioError(f"{name} = {value!r}; allowed: {low:g} to {high:g}")
    return float(value)


def whole(name: str, value: object, low: int, high: int) -> int:
    """Return a whole number within its bounds, or raise `ScenarioError`."""
    if isinstance(value, bool) or not isinstance(value, int | np.integer) or not low <= value <= high:
        raise ScenarioError(f"{name} = {value!r}; allowed: a whole number from {low} to {high}")
    return int(value)


def date(name: str, value: object) -> dt.date:
    """Return a date, or raise `ScenarioError`."""
    if type(value) is not dt.date:
        raise ScenarioError(f"{name} = {value!r}; allowed: a date such as 2021-01-04, without quotes")
    return value
