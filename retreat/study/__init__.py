"""The research desk: how large a study must be, who was studied, what was found, and what may be shared."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from retreat.study.effects import draw_effects, estimate_effects
    from retreat.study.in_hand.algebra import equation
    from retreat.study.in_hand.points import point_chart
    from retreat.study.reporting.form import reporting_form
    from retreat.study.series import study_series
    from retreat.study.sharing.sharing import share
    from retreat.study.size import simulate_size, size_by_end

# names load on first use, so that importing the package costs nothing
_HOMES = {
    "draw_effects": "effects",
    "equation": "in_hand.algebra",
    "estimate_effects": "effects",
    "point_chart": "in_hand.points",
    "reporting_form": "reporting.form",
    "share": "sharing.sharing",
    "simulate_size": "size",
    "size_by_end": "size",
    "study_series": "series",
}
__all__ = [
    "draw_effects",
    "equation",
    "estimate_effects",
    "point_chart",
    "reporting_form",
    "share",
    "simulate_size",
    "size_by_end",
    "study_series",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"retreat.study.{_HOMES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
