"""How well probabilities agree with what happened: observed incidence, calibration, scores, discrimination.

One measure, one module, one anatomy: a function of arrays that returns a number or a small frozen record,
and its direction, range and ideal value as data (:func:`measures`). Sessions are counted from 1; endings are
0 for a course still going on when last seen and 1..K for the ends.
"""

# A module never bears the name of a public function: importing a module `retreat.validation.brier` would put
# it in the place of the function. Names load on first use, so that importing the package costs nothing.
from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

_HOMES = {
    "Calibration": "agreement_record",
    "Curve": "agreement_record",
    "Points": "agreement_record",
    "Measure": "measure",
    "ObservedIncidence": "observed",
    "aalen_johansen": "observed",
    "brier": "squared_error",
    "brier_at": "squared_error_at",
    "calibration": "agreement",
    "calibration_at": "agreement_at",
    "censoring_weights": "censoring",
    "concordance": "ranking",
    "log_score": "logarithmic",
    "measures": "measure",
    "pseudo_values": "pseudo",
    "rps": "ranked_score",
}

__all__ = [
    "Calibration",
    "Curve",
    "Measure",
    "ObservedIncidence",
    "Points",
    "aalen_johansen",
    "brier",
    "brier_at",
    "calibration",
    "calibration_at",
    "censoring_weights",
    "concordance",
    "log_score",
    "measures",
    "pseudo_values",
    "rps",
]

if TYPE_CHECKING:
    from retreat.validation.agreement import calibration
    from retreat.validation.agreement_at import calibration_at
    from retreat.validation.agreement_record import Calibration, Curve, Points
    from retreat.validation.censoring import censoring_weights
    from retreat.validation.logarithmic import log_score
    from retreat.validation.measure import Measure, measures
    from retreat.validation.observed import ObservedIncidence, aalen_johansen
    from retreat.validation.pseudo import pseudo_values
    from retreat.validation.ranked_score import rps
    from retreat.validation.ranking import concordance
    from retreat.validation.squared_error import brier
    from retreat.validation.squared_error_at import brier_at


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
