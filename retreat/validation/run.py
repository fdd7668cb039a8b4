"""The cases of one validation and how they are looked at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.design import CaseData
from retreat.validation._checked import Courses
from retreat.validation._spread import normal_quantile
from retreat.validation.agreement_at import calibration_at
from retreat.validation.agreement_record import Calibration
from retreat.validation.censoring import known_weights
from retreat.validation.observed import aalen_johansen
from retreat.validation.panel import Key, Panel, evaluate
from retreat.validation.report import MeasureRow, SessionIncidence
from retreat.validation.samples import Samples
from retreat.validation.schemes.folds import HeldOut
from retreat.validation.schemes.optimism import Question
from retreat.validation.schemes.resampling import Progress, bootstrap_weights

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

NAMES = (
    "observed_expected",
    "in_the_large",
    "slope",
    "ici",
    "brier_at",
    "scaled_brier_at",
    "concordance_at",
    "integrated_brier",
    "log_score",
    "rps",
)
REASONS = {
    "slope": "fewer than 10 of the rarer outcome, or all predictions are equal",
    "ici": "fewer than 10 of the rarer outcome: no smooth curve",
    "concordance_at": "no pair of a case with the end and one without",
}
# a case that stands for more than so many is worth a word [our judgement]
_HEAVY = 10.0
# samples behind the intervals of held-out measures, predictions held
_INTERVAL_SAMPLES = 500


@dataclass(frozen=True)
class Run:
    """The cases validated and how.

    Parameters
    ----------
    data : CaseData
        The cases.
    seen : Courses
        What happened to them.
    patient : ndarray of int, shape (cases,)
        Patients, numbered from 0 without holes.
    horizons : tuple of int
        Sessions at which measures are taken, rising.
    level : float in (0, 1)
        Coverage of the intervals.
    seed : int
        Of everything random.
    jobs, cluster, progress
        As for :func:`~retreat.validation.schemes.resampling.shared`.
    """

    data: CaseData
    seen: Courses
    patient: IntArray
    horizons: tuple[int, ...]
    level: float
    seed: int
    jobs: int
    cluster: str
    progress: Progress | None

    @property
    def ends(self) -> tuple[str, ...]:
        """Names of the ends."""
        return self.data.definition.ends

    def of(self, rows: NDArray[np.bool_]) -> Run:
        """The same of some of the cases."""
        seen = Courses(
            self.seen.sessions[rows], self.seen.ending[rows], self.seen.weights[rows], self.seen.n_ends
        )
        return Run(
            self.data.rows(rows),
            seen,
            np.unique(self.patient[rows], return_inverse=True)[1].astype(np.int64),
            self.horizons,
            self.level,
            self.seed,
            self.jobs,
            self.cluster,
            self.progress,
        )

    def measured(self, incidence: FloatArray, weights: FloatArray) -> Panel:
        """Every measure of predictions (predictions, cases, ends, sessions) on weighted samples (samples, cases)."""
        with np.errstate(invalid="ignore"):
            return evaluate(
                incidence, Samples(self.seen, weights), ends=self.ends, horizons=self.horizons, measures=NAMES
            )

    def held_out_rows(
        self, whole: FloatArray, unseen: HeldOut, told: NDArray[np.bool_]
    ) -> tuple[MeasureRow, ...]:
        """Measures on held-out predictions, averaged over the deals, with the interval of the first deal."""
        part = self.of(told)
        one = np.ones((1, int(told.sum())))
        apparent = part.measured(whole[None, told], one)
        held = part.measured(unseen.incidence[:, told], one)
        samples = bootstrap_weights(part.patient, _INTERVAL_SAMPLES, self.seed)
        # smooth curves of every sample would take longer than all else; their distance has no interval here
        quick = Question(part.seen, self.ends, self.horizons, tuple(m for m in NAMES if m != "ici"))
        with np.errstate(invalid="ignore"):
            spread = quick.on(unseen.incidence[:1, told], Samples(part.seen, samples))
        return tuple(self._row(key, float(apparent[key][0]), held[key], spread.get(key)) for key in apparent)

    def _row(self, key: Key, apparent: float, held: FloatArray, spread: FloatArray | None) -> MeasureRow:
        corrected = float(held.mean()) if np.isfinite(held).all() else np.nan
        reason = "" if np.isfinite(corrected) else REASONS.get(key[0], "it cannot be told from these cases")
        low = high = np.nan
        if spread is not None and np.isfinite(corrected) and np.isfinite(spread).any():
            tails = ((1 - self.level) / 2, (1 + self.level) / 2)
            low, high = np.quantile(spread[np.isfinite(spread)], tails) - held[0] + corrected
        return MeasureRow(*key, apparent, corrected, float(low), float(high), reason)

    def notes(self) -> tuple[str, ...]:
        """Horizons at which the weights of the few still followed explode, or nobody is left to tell."""
        lines = []
        for k in self.horizons:
            heaviest = known_weights(self.seen, k).max()
            if np.isnan(heaviest):
                lines.append(f"nobody was followed to session {k}: no measure there")
            elif heaviest > _HEAVY:
                lines.append(
                    f"few cases were followed to session {k}: one stands for {heaviest:.0f} in scores and concordance"
                )
        return tuple(lines)

    def calibrations(self, incidence: FloatArray) -> dict[tuple[str, int], Calibration]:
        """Calibration of predictions (cases, ends, sessions) by end and session."""
        return {
            (end, k): calibration_at(
                incidence[:, j, k - 1],
                self.seen.sessions,
                self.seen.ending,
                end=j + 1,
                horizon=k,
                groups=self.patient,
                level=self.level,
            )
            for j, end in enumerate(self.ends)
            for k in self.horizons
        }

    def incidence(self, predicted: FloatArray) -> tuple[SessionIncidence, ...]:
        """Observed and predicted incidence session by session."""
        horizon = predicted.shape[-1]
        observed = aalen_johansen(
            self.seen.sessions, self.seen.ending, n_ends=len(self.ends), horizon=horizon
        )
        z = normal_quantile(self.level)
        rows = []
        for j, end in enumerate(self.ends):
            for k in range(horizon):
                value, error = float(observed.incidence[j, k]), float(observed.standard_error[j, k])
                rows.append(
                    SessionIncidence(
                        end,
                        k + 1,
                        int(observed.at_risk[k]),
                        int(observed.events[j, : k + 1].sum()),
                        value,
                        max(0.0, value - z * error),
                        min(1.0, value + z * error),
                        float(predicted[:, j, k].mean()),
                    )
                )
        return tuple(rows)
