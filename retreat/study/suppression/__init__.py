"""Small counts hidden, with as many others as it takes that no arithmetic gives them back.

The rule is that of :func:`protect`; `Sourced` is a table that knows which counts each of its numbers rests on, and
:func:`hide_small_cells` is the whole for one table with margins.
"""

from __future__ import annotations

from importlib import import_module

_HOMES = {
    "Linked": "linked",
    "Protection": "protecting",
    "Relation": "linked",
    "Sourced": "sourced",
    "adds_up": "linked",
    "at_least": "linked",
    "hide_small_cells": "margins",
    "link": "linked",
    "protect": "protecting",
    "ranges": "attack",
}

__all__ = [
    "Linked",
    "Protection",
    "Relation",
    "Sourced",
    "adds_up",
    "at_least",
    "hide_small_cells",
    "link",
    "protect",
    "ranges",
]


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
