"""Reporting form: TRIPOD+AI, notes on clusters and a PROBAST+AI self-check, filled as far as model and data can.

:func:`reporting_form` fills; what only a person knows stands as one question each, and answers are kept in a file.
"""

from __future__ import annotations

from importlib import import_module

_HOMES = {
    "Form": "form",
    "answers_text": "answers",
    "form_content": "page",
    "read_answers": "answers",
    "reporting_form": "form",
    "with_effects": "from_effects",
    "write_answers": "answers",
}

__all__ = [
    "Form",
    "answers_text",
    "form_content",
    "read_answers",
    "reporting_form",
    "with_effects",
    "write_answers",
]


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
