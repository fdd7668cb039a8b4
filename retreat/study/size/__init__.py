"""Before a study: how many eyes, by closed criteria and by simulation of the model that will be fitted."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

_HOMES = {
    "Development": "closed",
    "EndSize": "by_end",
    "Effect": "effect",
    "External": "external",
    "Scenario": "scenario",
    "SizePoint": "record",
    "StudySize": "record",
    "Targets": "record",
    "external_validation_size": "external",
    "least_for_rate": "closed",
    "least_for_share": "closed",
    "most_r_squared": "r_squared",
    "most_r_squared_of_rate": "r_squared",
    "of_definition": "scenario",
    "of_model": "scenario",
    "protocol": "wording",
    "r_squared_of_concordance": "r_squared",
    "r_squared_of_nagelkerke": "r_squared",
    "simulate_size": "run",
    "size_by_end": "by_end",
}
__all__ = [
    "Development",
    "Effect",
    "EndSize",
    "External",
    "Scenario",
    "SizePoint",
    "StudySize",
    "Targets",
    "external_validation_size",
    "least_for_rate",
    "least_for_share",
    "most_r_squared",
    "most_r_squared_of_rate",
    "of_definition",
    "of_model",
    "protocol",
    "r_squared_of_concordance",
    "r_squared_of_nagelkerke",
    "simulate_size",
    "size_by_end",
]

if TYPE_CHECKING:
    from retreat.study.size.by_end import EndSize, size_by_end
    from retreat.study.size.closed import Development, least_for_rate, least_for_share
    from retreat.study.size.effect import Effect
    from retreat.study.size.external import External, external_validation_size
    from retreat.study.size.r_squared import (
        most_r_squared,
        most_r_squared_of_rate,
        r_squared_of_concordance,
        r_squared_of_nagelkerke,
    )
    from retreat.study.size.record import SizePoint, StudySize, Targets
    from retreat.study.size.run import simulate_size
    from retreat.study.size.scenario import Scenario, of_definition, of_model
    from retreat.study.size.wording import protocol


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"retreat.study.size.{_HOMES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
