"""Checks of Bayesian fits: replicated clinics, each case foreseen by the others, definitions beside each other.

:func:`check_fit` does all of it in one call.
"""

# A module never bears the name of a public function: importing it would put it in the place of the function.
from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

_HOMES = {
    "Beside": "stacking",
    "CrossValidation": "held_out",
    "Discrepancy": "discrepancies",
    "FitChecks": "record",
    "check_fit": "fit_checks",
}

__all__ = ["Beside", "CrossValidation", "Discrepancy", "FitChecks", "check_fit"]

if TYPE_CHECKING:
    from retreat.checks.discrepancies import Discrepancy
    from retreat.checks.fit_checks import check_fit
    from retreat.checks.held_out import CrossValidation
    from retreat.checks.record import FitChecks
    from retreat.checks.stacking import Beside


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
