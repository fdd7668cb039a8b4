"""A model brought up to date in a practice, and a watch on whether it stays right.

:func:`update` recalibrates or re-estimates a saved model on a practice's own cases, no further than they support.
:func:`watch` holds logged forecasts against what happened since.
"""

# A module never bears the name of a public function: importing it would put it in the place of the function.
from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

_HOMES = {
    "Update": "record",
    "Watch": "watching",
    "append_forecast": "log",
    "read_log": "log",
    "update": "updates",
    "watch": "watching",
}

__all__ = ["Update", "Watch", "append_forecast", "read_log", "update", "watch"]

if TYPE_CHECKING:
    from retreat.updating.log import append_forecast, read_log
    from retreat.updating.record import Update
    from retreat.updating.updates import update
    from retreat.updating.watching import Watch, watch


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
