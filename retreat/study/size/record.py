"""What a simulation of study sizes found: numbers with their Monte-Carlo errors."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from math import isfinite
from typing import TYPE_CHECKING, Any

from retreat.study.size.scenario import Scenario

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Estimate:
    """A number found by simulation, with the standard error that repeating the simulation would show."""

    value: float
    error: float

    @property
    def known(self) -> bool:
        """Whether there is a number."""
        return isfinite(self.value)


@dataclass(frozen=True)
class Targets:
    """What a study is to reach.

    Parameters
    ----------
    shrinkage : float
        Least expected calibration slope (Riley and others 2019: 0.9).
    slope_width : float
        Most distance between the slopes that 2.5 and 97.5 of 100 studies lie below (our judgement: 0.5, about 0.75
        to 1.25).
    width : float
        Most width of the 95% interval of the typical eye's chance (our judgement: 0.2).
    power : float
        Least chance to find the effect (common practice: 0.8).
    failures : float
        Most share of studies that cannot be fitted (our judgement: 0.05).
    """

    shrinkage: float = 0.9
    slope_width: float = 0.5
    width: float = 0.2
    power: float = 0.8
    failures: float = 0.05


@dataclass(frozen=True)
class SizePoint:
    """One size of study.

    Parameters
    ----------
    eyes, patients : int
        Size.
    studies : int
        Studies simulated.
    failures : float
        Share of them that could not be fitted; other numbers but power are of those that could.
    ended : mapping of str to float
        Eyes that ended in each way, on average.
    slope : mapping of str to Estimate
        Expected calibration slope of each end by the horizon: the shrinkage that predictions need.
    slope_width : mapping of str to Estimate
        Distance between the slopes that 2.5 and 97.5 of 100 studies lie below.
    width_80, width_95 : Estimate
        Mean width of the 80% and 95% interval of the typical eye's chance of the first end by the horizon.
    coverage : Estimate
        Share of those 95% intervals that hold the truth.
    power : Estimate or None
        Chance to find the effect at the two-sided 5% level; None without one.
    """

    eyes: int
    patients: int
    studies: int
    failures: float
    ended: Mapping[str, float]
    slope: Mapping[str, Estimate]
    slope_width: Mapping[str, Estimate]
    width_80: Estimate
    width_95: Estimate
    coverage: Estimate
    power: Estimate | None


@dataclass(frozen=True)
class StudySize:
    """Sizes of study, from the smallest, under one scenario.

    Parameters
    ----------
    scenario : Scenario
        Assumptions.
    points : tuple of SizePoint
        Sizes looked at.
    horizon : int
        By which session.
    penalty : str
        How the model was fitted, in words.
    targets : Targets
        What was asked for.
    seed : int
        Seed.
    true_chance : float
        True chance of the typical eye, averaged over the truths met.
    notes : tuple of str
        What a reader must know.
    """

    scenario: Scenario
    points: tuple[SizePoint, ...]
    horizon: int
    penalty: str
    targets: Targets
    seed: int
    true_chance: float
    notes: tuple[str, ...]

    @property
    def end(self) -> str:
        """The first end, of which the interval of the typical eye speaks."""
        return self.scenario.ends[0]

    @property
    def chosen(self) -> SizePoint | None:
        """The smallest size from which on all targets of the first end are reached; None where there is none."""
        return self.chosen_for(self.end)

    def chosen_for(self, end: str) -> SizePoint | None:
        """The smallest size from which on all targets of an end are reached; None where there is none."""
        found = None
        for point in reversed(self.points):
            if self.missed(point, end):
                break
            found = point
        return found

    def missed(self, point: SizePoint, end: str) -> tuple[str, ...]:
        """Names of the targets that a size misses for an end; empty where all are reached.

        The interval of the typical eye is asked for with the first end, power with the end of the effect.
        """
        targets, slope, spread = self.targets, point.slope[end], point.slope_width[end]
        checks = {
            "failures": point.failures <= targets.failures,
            "shrinkage": slope.known and slope.value >= targets.shrinkage,
            "slope_width": spread.known and spread.value <= targets.slope_width,
        }
        if end == self.end:
            checks["width"] = point.width_95.known and point.width_95.value <= targets.width
        power = self.power(point, end)
        if power is not None:
            checks["power"] = power.value >= targets.power
        return tuple(name for name, met in checks.items() if not met)

    def power(self, point: SizePoint, end: str) -> Estimate | None:
        """Chance to find the effect, for the end that it is on; None for the others, and without an effect."""
        effect = self.scenario.effect
        return None if effect is None or effect.end != end else point.power

    def to_json(self) -> dict[str, Any]:
        """Plain lists and numbers, None for what is not known."""
        from retreat.study.size.wording import protocol

        chosen = self.chosen
        return {
            "scenario": self.scenario.to_json(),
            "horizon": self.horizon,
            "fit": self.penalty,
            "targets": asdict(self.targets),
            "seed": self.seed,
            "typical_eye_true_chance": self.true_chance,
            "points": [
                _plain(asdict(one))
                | {
                    "missed": list(self.missed(one, self.end)),
                    "missed_by_end": {end: list(self.missed(one, end)) for end in self.scenario.ends},
                }
                for one in self.points
            ],
            "chosen_eyes": None if chosen is None else chosen.eyes,
            "chosen_eyes_by_end": {
                end: None if (point := self.chosen_for(end)) is None else point.eyes
                for end in self.scenario.ends
            },
            "protocol": protocol(self),
            "notes": list(self.notes),
        }

    def to_frame(self) -> pd.DataFrame:
        """One row a size and measure: eyes, patients, measure, end, value, monte_carlo_error."""
        import pandas as pd  # heavy: only for the table

        rows = []
        for one in self.points:
            found = [("failures", "", Estimate(one.failures, float("nan")))]
            found += [("slope", end, value) for end, value in one.slope.items()]
            found += [("slope_width", end, value) for end, value in one.slope_width.items()]
            found += [(name, self.end, getattr(one, name)) for name in ("width_80", "width_95", "coverage")]
            if one.power is not None:
                found.append(("power", self.scenario.effect.end if self.scenario.effect else "", one.power))
            rows += [(one.eyes, one.patients, name, end, v.value, v.error) for name, end, v in found]
        columns = ["eyes", "patients", "measure", "end", "value", "monte_carlo_error"]
        return pd.DataFrame(rows, columns=columns)


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, float):
        return value if isfinite(value) else None
    return value
