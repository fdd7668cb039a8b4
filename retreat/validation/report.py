"""What a validation found: measures, curves, observed incidence and scores beside the life table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.model.card import Validated
from retreat.model.support import SMALL_CELL
from retreat.validation.agreement_record import Calibration
from retreat.validation.comparison import Comparison
from retreat.validation.landmarks import LandmarkRow, landmark_table

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import Model
    from retreat.validation.clusters import ClusterSpread
    from retreat.validation.decision import NetBenefit
    from retreat.validation.hazards_at import HazardCalibration
    from retreat.validation.histogram import DCalibration
    from retreat.validation.instability import Instability
    from retreat.validation.losses import LossRow
    from retreat.validation.midcourse import MidCourse
    from retreat.validation.subgroups import SubgroupRow
    from retreat.validation.verdict import Verdict

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class SessionIncidence:
    """Observed and predicted incidence of an end by a session; `n_events` ended so by then."""

    end: str
    session: int
    n_at_risk: int
    n_events: int
    observed: float
    low: float
    high: float
    predicted: float


@dataclass(frozen=True)
class MeasureRow:
    """One measure: on the fitted cases, on unseen ones, and the gap between them."""

    measure: str
    horizon: int
    end: str
    apparent: float
    corrected: float
    low: float
    high: float
    reason: str = ""
    n_failed: int = 0

    @property
    def optimism(self) -> float:
        """Apparent minus corrected."""
        return self.apparent - self.corrected


_COLUMNS = ("measure", "horizon", "end", "apparent", "optimism", "corrected", "low", "high")


def table_of(rows: Sequence[MeasureRow]) -> pd.DataFrame:
    """Tidy table: measure, horizon, end, apparent, optimism, corrected, low, high."""
    import pandas as pd  # heavy: only whoever asks for a table pays for it

    return pd.DataFrame([[getattr(row, c) for c in _COLUMNS] for row in rows], columns=list(_COLUMNS))


@dataclass(frozen=True)
class BootstrapReport:
    """Result of :func:`retreat.validation.validate_estimator`.

    Parameters
    ----------
    scheme : str
        How it was validated.
    n_cases, n_groups : int
        Cases and groups resampled.
    level : float
        Coverage of the intervals.
    rows : tuple of MeasureRow
        The measures, each with how many resamples could not tell it.
    failures : tuple of str
        Resamples that could not be fitted and why.
    """

    scheme: str
    n_cases: int
    n_groups: int
    level: float
    rows: tuple[MeasureRow, ...]
    failures: tuple[str, ...]

    @property
    def table(self) -> pd.DataFrame:
        """Tidy table: measure, horizon, end, apparent, optimism, corrected, low, high."""
        return table_of(self.rows)

    def to_json(self) -> dict[str, Any]:
        """Every number as plain lists; what could not be estimated is null."""
        return {
            "scheme": self.scheme,
            "n_cases": self.n_cases,
            "n_groups": self.n_groups,
            "level": self.level,
            "failures": list(self.failures),
            "measures": [{**_plain(row), "optimism": _number(row.optimism)} for row in self.rows],
        }


@dataclass(frozen=True)
class ValidationReport:
    """Result of :func:`retreat.validate`.

    Parameters
    ----------
    definition, method, scheme : str
        What was validated and how.
    n_cases, n_patients, n_left_out : int
        Cases and patients predicted, and cases left out (missing feature, not begun, failed fold).
    n_ended : mapping of str to int
        Of the predicted cases.
    level : float
        Coverage of all intervals.
    rows : tuple of MeasureRow
        The measures.
    calibrations : mapping of (str, int) to Calibration
        By end and horizon, on unseen cases.
    predictions : mapping of (str, int) to ndarray of float, shape (cases,)
        Predictions behind each calibration, for a density strip; in order of size, not of cases.
    incidence : tuple of SessionIncidence
        Observed against mean predicted, session by session.
    comparisons : tuple of Comparison
        Scores beside the challengers', those of which `no_comparison` says so left out.
    no_comparison : str
        Why a comparison that was due is missing; empty else.
    mid_course : tuple of MidCourse
        Calibration during a course.
    hazards : tuple of HazardCalibration
        Expected and seen at each session, among those who had it.
    d_calibration : DCalibration
        Whether courses fall evenly over their predicted distributions.
    decisions : mapping of int to NetBenefit
        Net benefit of quoting a package of so many sessions, by threshold.
    subgroups : tuple of SubgroupRow
        Agreement of the first end in parts of the cases.
    losses : tuple of LossRow
        Agreement of the first end were those lost unlike those who stayed.
    clusters : tuple of ClusterSpread
        Spread of calibration between operators, sites or periods, where asked for.
    instability : Instability or None
        Where there were resamples.
    verdict : Verdict
        Whether the numbers may be used with patients.
    definition_fingerprint, data_fingerprint : str
        SHA-256 of the definition, and of the cases that a fit takes; no fit has the latter where it was imputed.
    made_by : str
        How the card of a model of this recipe begins to tell its method.
    notes : tuple of str
        What makes the measures less sure: horizons few were followed to.
    failures : tuple of str
        Fits that failed and why.
    invented : bool
        Whether the cases are invented.
    at_landmarks : tuple of LandmarkRow
        Calibration and scores of forecasts during a course, as in `landmarks`, with reasons where there is no value.
    against : str
        Definition that their log score is held against; empty for none.
    """

    definition: str
    method: str
    scheme: str
    n_cases: int
    n_patients: int
    n_left_out: int
    n_ended: Mapping[str, int]
    level: float
    rows: tuple[MeasureRow, ...]
    calibrations: Mapping[tuple[str, int], Calibration]
    predictions: Mapping[tuple[str, int], FloatArray]
    incidence: tuple[SessionIncidence, ...]
    comparisons: tuple[Comparison, ...]
    no_comparison: str
    mid_course: tuple[MidCourse, ...]
    hazards: tuple[HazardCalibration, ...]
    d_calibration: DCalibration
    decisions: Mapping[int, NetBenefit]
    subgroups: tuple[SubgroupRow, ...]
    losses: tuple[LossRow, ...]
    clusters: tuple[ClusterSpread, ...]
    instability: Instability | None
    verdict: Verdict
    definition_fingerprint: str
    data_fingerprint: str
    made_by: str
    notes: tuple[str, ...]
    failures: tuple[str, ...]
    invented: bool
    at_landmarks: tuple[LandmarkRow, ...] = ()
    against: str = ""

    @property
    def landmarks(self) -> pd.DataFrame:
        """Tidy table of the forecasts during a course: done, horizon, end, told, n, measure, value, low, high."""
        return landmark_table(self.at_landmarks)

    @property
    def table(self) -> pd.DataFrame:
        """Tidy table: measure, horizon, end, apparent, optimism, corrected, low, high."""
        return table_of(self.rows)

    def stamp(self, model: Model) -> Model:
        """The model with this verdict in its card, for every sheet and forecast to show.

        Parameters
        ----------
        model : Model
            Of the same definition, method and settings, fitted to the same cases.

        Raises
        ------
        FitError
            If it is not.
        """
        from datetime import UTC, datetime

        card = model.card
        faults = []
        if card.definition_fingerprint != self.definition_fingerprint or not card.method.startswith(
            self.made_by
        ):
            what = f"{card.name}, {card.method}"
            allowed = f"{self.definition}, {self.made_by}, as validated"
            faults.append(Fault("model", what, allowed, "fit it again, or validate its own recipe"))
        if card.data_fingerprint != self.data_fingerprint:
            fix = "validate the table that the model was fitted to"
            faults.append(Fault("model", "it was fitted to other cases than were validated", fix=fix))
        if faults:
            raise FitError(faults)
        found = self.verdict
        today = datetime.now(UTC).date().isoformat()
        validated = Validated(found.standing, found.reasons, found.next_step, self.scheme, today)
        return replace(model, card=replace(card, validated=validated))

    def to_json(self) -> dict[str, Any]:
        """Every number but the predictions, as plain lists; what could not be estimated is null."""
        return {
            "definition": self.definition,
            "method": self.method,
            "scheme": self.scheme,
            "n_cases": self.n_cases,
            "n_patients": self.n_patients,
            "n_left_out": self.n_left_out,
            "n_ended": dict(self.n_ended),
            "level": self.level,
            "invented": self.invented,
            "notes": list(self.notes),
            "failures": list(self.failures),
            "measures": [{**_plain(row), "optimism": _number(row.optimism)} for row in self.rows],
            "incidence": [_plain(row) for row in self.incidence if row.n_at_risk >= SMALL_CELL],
            "no_comparison": self.no_comparison,
            "comparisons": [_plain(row) for row in self.comparisons],
            "mid_course": [_plain(row) for row in self.mid_course],
            "against": self.against,
            "landmarks": [_plain(row) for row in self.at_landmarks],
            "hazards": [_plain(row) for row in self.hazards if row.at_risk >= SMALL_CELL],
            "d_calibration": {
                **_plain(self.d_calibration),
                "histogram": _plain(self.d_calibration.histogram),
            },
            "decisions": {str(h): _plain(found) for h, found in self.decisions.items()},
            "subgroups": [_plain(row) for row in self.subgroups],
            "losses": [_plain(row) for row in self.losses],
            "clusters": [_plain(row) for row in self.clusters],
            "instability": self._instability(),
            "verdict": _plain(self.verdict),
            "curves": [
                {
                    "end": end,
                    "horizon": horizon,
                    "smoother": found.smoother,
                    "curve": None if found.curve is None else _plain(found.curve),
                    "points": _plain(found.points)
                    if found.points.n.min(initial=SMALL_CELL) >= SMALL_CELL
                    else None,
                }
                for (end, horizon), found in self.calibrations.items()
            ],
        }

    def _instability(self) -> dict[str, Any] | None:
        found = self.instability
        if found is None:
            return None
        return {
            "end": found.end,
            "horizon": found.horizon,
            "n_resamples": found.n_resamples,
            "mean_error": found.mean_error,
            "width_of_95_of_100": found.widest,
        }


def _plain(record: Any) -> dict[str, Any]:
    fields = record.__dataclass_fields__
    return {name: _number(getattr(record, name)) for name in fields}


def _number(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return [_number(v) for v in value.tolist()]
    if isinstance(value, tuple):
        return [_number(v) for v in value]
    if isinstance(value, float | np.floating):
        return float(value) if np.isfinite(value) else None
    return value
