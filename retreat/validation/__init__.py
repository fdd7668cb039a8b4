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
    "validate_estimator": "estimators",
    "Calibration": "agreement_record",
    "Curve": "agreement_record",
    "DCalibration": "histogram",
    "HazardCalibration": "hazards_at",
    "Measure": "measure",
    "NetBenefit": "decision",
    "ObservedIncidence": "observed",
    "PitHistogram": "histogram",
    "Points": "agreement_record",
    "aalen_johansen": "observed",
    "brier": "squared_error",
    "brier_at": "squared_error_at",
    "calibration": "agreement",
    "calibration_at": "agreement_at",
    "censoring_weights": "censoring",
    "concordance": "ranking",
    "concordance_at": "ranking_at",
    "d_calibration": "histogram",
    "hazard_calibration": "hazards_at",
    "integrated_brier": "scaled",
    "log_score": "logarithmic",
    "measures": "measure",
    "net_benefit": "decision",
    "net_benefit_at": "decision",
    "pit": "histogram",
    "pseudo_values": "pseudo",
    "rps": "ranked_score",
    "scaled_brier_at": "scaled",
    "SampleSize": "sample_size",
    "minimum_sample_size": "sample_size",
    "minimum_sample_size_courses": "sample_size",
}

__all__ = [
    "Calibration",
    "Curve",
    "DCalibration",
    "HazardCalibration",
    "Measure",
    "NetBenefit",
    "ObservedIncidence",
    "PitHistogram",
    "Points",
    "SampleSize",
    "aalen_johansen",
    "brier",
    "brier_at",
    "calibration",
    "calibration_at",
    "censoring_weights",
    "concordance",
    "concordance_at",
    "d_calibration",
    "hazard_calibration",
    "integrated_brier",
    "log_score",
    "measures",
    "minimum_sample_size",
    "minimum_sample_size_courses",
    "net_benefit",
    "net_benefit_at",
    "pit",
    "pseudo_values",
    "rps",
    "scaled_brier_at",
    "validate_estimator",
]

if TYPE_CHECKING:
    from retreat.validation.agreement import calibration
    from retreat.validation.agreement_at import calibration_at
    from retreat.validation.agreement_record import Calibration, Curve, Points
    from retreat.validation.censoring import censoring_weights
    from retreat.validation.decision import NetBenefit, net_benefit, net_benefit_at
    from retreat.validation.estimators import validate_estimator
    from retreat.validation.hazards_at import HazardCalibration, hazard_calibration
    from retreat.validation.histogram import DCalibration, PitHistogram, d_calibration, pit
    from retreat.validation.logarithmic import log_score
    from retreat.validation.measure import Measure, measures
    from retreat.validation.observed import ObservedIncidence, aalen_johansen
    from retreat.validation.pseudo import pseudo_values
    from retreat.validation.ranked_score import rps
    from retreat.validation.ranking import concordance
    from retreat.validation.ranking_at import concordance_at
    from retreat.validation.sample_size import SampleSize, minimum_sample_size, minimum_sample_size_courses
    from retreat.validation.scaled import integrated_brier, scaled_brier_at
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
