"""How many laser sessions will this eye need? Discrete-time models, their calibration, a counselling sheet.

Everything is loaded on first use, so that ``import retreat`` costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from retreat.version import VERSION

if TYPE_CHECKING:
    from retreat.checks import check_fit
    from retreat.elicitation import elicit, prior_report
    from retreat.errors import DefinitionError, FitError, ModelFileError, RetreatError, TableError
    from retreat.fitting.published import published
    from retreat.forecast import Forecast
    from retreat.model import Model, load
    from retreat.planning.plan import plan
    from retreat.recipe import fit
    from retreat.tables import read_cases, read_visits
    from retreat.updating import update
    from retreat.validation.recipes import validate

__version__ = VERSION

_HOME = {
    "read_cases": "retreat.tables",
    "read_visits": "retreat.tables",
    "fit": "retreat.recipe",
    "elicit": "retreat.elicitation",
    "prior_report": "retreat.elicitation",
    "published": "retreat.fitting.published",
    "validate": "retreat.validation.recipes",
    "update": "retreat.updating",
    "check_fit": "retreat.checks",
    "plan": "retreat.planning.plan",
    "load": "retreat.model",
    "Model": "retreat.model",
    "Forecast": "retreat.forecast",
    "RetreatError": "retreat.errors",
    "TableError": "retreat.errors",
    "DefinitionError": "retreat.errors",
    "FitError": "retreat.errors",
    "ModelFileError": "retreat.errors",
}
__all__ = [
    "DefinitionError",
    "FitError",
    "Forecast",
    "Model",
    "ModelFileError",
    "RetreatError",
    "TableError",
    "check_fit",
    "elicit",
    "fit",
    "load",
    "plan",
    "prior_report",
    "published",
    "read_cases",
    "read_visits",
    "update",
    "validate",
]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
