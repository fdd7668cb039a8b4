"""Who was studied: records in and left out, the first table of a paper, follow-up, life table, incidence by kind.

:func:`describe_cohort` does all of it; what it returns stays in the clinic, its :meth:`Cohort.shared` may leave.
"""

from __future__ import annotations

from importlib import import_module

_HOMES = {"Cohort": "record", "SharedCohort": "record", "describe_cohort": "describing"}

__all__ = ["Cohort", "SharedCohort", "describe_cohort"]


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
