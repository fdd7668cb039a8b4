"""A model in hand: its equation, its coefficients, a chart for paper, its card and its one page of facts.

Everything here works with posterior means, as a person with paper must; how far that is from the forecast of the
package, which averages over draws, is told beside it.
"""

from __future__ import annotations

from importlib import import_module

_HOMES = {
    "Content": "content",
    "Hand": "hand",
    "card_content": "card_page",
    "coefficients_csv": "coefficients",
    "coefficients_json": "coefficients",
    "equation": "algebra",
    "equation_content": "algebra_page",
    "hand_of": "hand",
    "label_content": "label_page",
    "point_chart": "points",
    "points_content": "points_page",
    "worked_case": "cases",
}

__all__ = [
    "Content",
    "Hand",
    "card_content",
    "coefficients_csv",
    "coefficients_json",
    "equation",
    "equation_content",
    "hand_of",
    "label_content",
    "point_chart",
    "points_content",
    "worked_case",
]


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
