"""The research desk: how large a study must be, who was studied, what was found, and what may be shared."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from retreat.study.size import simulate_size, size_by_end

# names load on first use, so that importing the package costs nothing
_HOMES = {
    "simulate_size": "size",
    "size_by_end": "size",
}
__all__ = ["simulate_size", "size_by_end"]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"retreat.study.{_HOMES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
