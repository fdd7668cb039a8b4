"""What was found: odds ratios, joint tests, curves, average effects, the same from draws, and what bias could do.

:func:`estimate_effects` and :func:`draw_effects` do all of it; the other names are its parts.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

_HOMES = {
    "Comparison": "comparisons",
    "Curve": "curves",
    "DrawnEffects": "record",
    "EValue": "confounding",
    "Effects": "record",
    "Equivalence": "equivalence",
    "Measure": "gradients",
    "analysed": "analysis",
    "bias_table": "confounding",
    "curve_over": "curves",
    "draw_effects": "describing",
    "e_value": "confounding",
    "e_value_of_odds": "confounding",
    "e_value_of_rate": "confounding",
    "estimate_effects": "describing",
    "joint_test": "pooling",
    "own_curve": "curves",
    "pool": "pooling",
}
__all__ = [
    "Comparison",
    "Curve",
    "DrawnEffects",
    "EValue",
    "Effects",
    "Equivalence",
    "Measure",
    "analysed",
    "bias_table",
    "curve_over",
    "draw_effects",
    "e_value",
    "e_value_of_odds",
    "e_value_of_rate",
    "estimate_effects",
    "joint_test",
    "own_curve",
    "pool",
]

if TYPE_CHECKING:
    from retreat.study.effects.analysis import analysed
    from retreat.study.effects.comparisons import Comparison
    from retreat.study.effects.confounding import (
        EValue,
        bias_table,
        e_value,
        e_value_of_odds,
        e_value_of_rate,
    )
    from retreat.study.effects.curves import Curve, curve_over, own_curve
    from retreat.study.effects.describing import draw_effects, estimate_effects
    from retreat.study.effects.equivalence import Equivalence
    from retreat.study.effects.gradients import Measure
    from retreat.study.effects.pooling import joint_test, pool
    from retreat.study.effects.record import DrawnEffects, Effects


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"retreat.study.effects.{_HOMES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
