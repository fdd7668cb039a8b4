"""The record of a clinic that grows from use: visits logged one by one, taken back, kept as CSV or SQLite.

The names below are loaded when first asked for, since they need pandas.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from retreat.record.entry import LoggedVisit
    from retreat.record.keeping import keep
    from retreat.record.log import log_visit, undo

__all__ = ["LoggedVisit", "keep", "log_visit", "undo"]

_HOME = {"LoggedVisit": "entry", "keep": "keeping", "log_visit": "log", "undo": "log"}


def __getattr__(name: str) -> Any:
    """The public name, from its module."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
