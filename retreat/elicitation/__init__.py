"""Priors people can argue with: what they imply, whether cases contradict them, and priors from an operator's words."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from retreat.elicitation.answers import Answers, read_answers, write_template
    from retreat.elicitation.elicited import Elicited, elicit
    from retreat.elicitation.reporting import PriorReport, prior_report

__all__ = [
    "Answers",
    "Elicited",
    "PriorReport",
    "elicit",
    "prior_report",
    "read_answers",
    "write_template",
]

_HOME = {
    "Answers": "answers",
    "Elicited": "elicited",
    "PriorReport": "reporting",
    "elicit": "elicited",
    "prior_report": "reporting",
    "read_answers": "answers",
    "write_template": "answers",
}


def __getattr__(name: str) -> Any:
    """The public name, from its module."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
