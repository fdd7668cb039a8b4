"""Tables that may leave the clinic: without identifiers, with a synthetic twin, in one folder with checksums.

:func:`share` does all of it; what links it to the clinic's own tables is the crosswalk, which stays behind.
"""

from __future__ import annotations

from importlib import import_module

_HOMES = {"Rule": "rule", "Shared": "sharing", "share": "sharing"}

__all__ = ["Rule", "Shared", "share"]


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
