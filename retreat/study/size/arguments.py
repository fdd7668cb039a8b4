"""Faults of numbers out of range, gathered so that all are told at once."""

from __future__ import annotations

from math import isfinite
from numbers import Real

from retreat.errors import Fault, FitError
from retreat.fitting.arguments import is_whole


def inside(name: str, value: object, *, low: float = 0.0, high: float = 1.0) -> Fault | None:
    """Fault of a number that is not between two others; None where it is."""
    if _is_real(value) and low < float(value) < high:  # type: ignore[arg-type]
        return None
    return Fault(name, f"{value!r}", f"a number above {low:g} and below {high:.3g}")


def within(name: str, value: object, low: float, high: float) -> Fault | None:
    """Fault of a number that is not from one to another, both allowed; None where it is."""
    if _is_real(value) and low <= float(value) <= high:  # type: ignore[arg-type]
        return None
    return Fault(name, f"{value!r}", f"a number from {low:g} to {high:g}")


def above(name: str, value: object) -> Fault | None:
    """Fault of a number that is not above 0; None where it is."""
    if _is_real(value) and float(value) > 0.0:  # type: ignore[arg-type]
        return None
    return Fault(name, f"{value!r}", "a number above 0")


def whole(name: str, value: object, *, low: int, high: int | None = None) -> Fault | None:
    """Fault of a value that is not a whole number in range; None where it is."""
    if is_whole(value) and low <= value and (high is None or value <= high):
        return None
    return Fault(name, f"{value!r}", f"a whole number from {low}" + ("" if high is None else f" to {high}"))


def refuse(*faults: Fault | None) -> None:
    """Raise all faults at once.

    Raises
    ------
    FitError
        If there are any.
    """
    found = [fault for fault in faults if fault is not None]
    if found:
        raise FitError(found)


def _is_real(value: object) -> bool:
    return isinstance(value, Real) and not isinstance(value, bool) and isfinite(value)
