"""Patient-grouped cross-validation of a recipe: predicted against observed, scores beside the life table."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat.definitions import LAST_SESSION, Definition, read_definition
from retreat.errors import Fault, FitError
from retreat.fitting.design import outcome, read_data
from retreat.recipe import METHODS
from retreat.tables import as_cases
from retreat.validation._checked import courses
from retreat.validation._spread import normal_quantile
from retreat.validation.agreement_at import calibration_at
from retreat.validation.agreement_record import Calibration
from retreat.validation.comparison import Comparison, Scores, case_scores, compare, patient_interval
from retreat.validation.observed import aalen_johansen
from retreat.validation.report import MeasureRow, SessionIncidence, ValidationReport
from retreat.validation.schemes.folds import Progress, Recipe, deal_patients, out_of_fold

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# fields of a Calibration that become rows, with the field of their interval
_FROM_CALIBRATION = (
    ("observed_expected", "observed_expected_interval"),
    ("in_the_large", "in_the_large_interval"),
    ("slope", "slope_interval"),
    ("ici", ""),
)


def validate(
    cases: pd.DataFrame,
    definition: str | Path | Definition = "core",
    *,
    method: str | None = None,
    folds: int = 10,
    horizons: tuple[int, ...] = (1, 2, 3, 4),
    level: float = 0.95,
    seed: int = 1,
    progress: Progress | None = None,
    **settings: Any,
) -> ValidationReport:
    """How far a recipe's numbers can be trusted, measured on patients it has not seen.

    The recipe (definition, method, settings), never a fitted model, is redone in each fold, so that every
    step that looks at the data is repeated. ``apparent`` is measured on the cases the model was fitted to,
    ``corrected`` on predictions for held-out patients, and ``optimism`` is the gap. Observed incidence is
    Aalen and Johansen's, so cases still in treatment or lost count for as long as they were followed.

    Parameters
    ----------
    cases : DataFrame
        A `cases` table; it is checked. Cases not begun or with a missing feature are left out and counted.
    definition, method, seed, **settings
        As for :func:`retreat.fit`.
    folds : int, at least 2
        Patients are dealt into so many folds.
    horizons : tuple of int
        Sessions at which measures are taken.
    level : float in (0, 1)
        Coverage of the intervals; they take the predictions as given.
    progress : callable, optional
        Told after each fold.

    Returns
    -------
    ValidationReport

    Raises
    ------
    TableError, DefinitionError, FitError
        As for :func:`retreat.fit`; also if there are fewer patients than folds or no fold could be fitted.

    References
    ----------
    Andersen PK, Perme MP. Pseudo-observations in survival analysis. Stat Methods Med Res 2010;19:71-99
    (from memory).
    """
    chosen = read_definition(definition)
    method = method or ("lifetable" if chosen.strata else "logistic")
    horizons = _check(chosen, method, horizons, level)
    table = as_cases(cases)
    data = read_data(table, chosen)
    kept = table[data.complete].reset_index(drop=True)
    if kept.empty:
        raise FitError(Fault("cases", "no complete case has begun", "complete cases", "fill in the features"))
    data.design()  # too few cases are told as such, not as too few for the folds
    fold = deal_patients(kept["patient"].to_numpy(), folds, seed)
    recipe = Recipe(chosen, method, seed, settings)
    horizon = horizons[-1]
    unseen = out_of_fold(kept, recipe, fold, horizon=horizon, progress=progress)
    fitted = ~np.isnan(unseen.incidence).any(axis=(1, 2))
    if not fitted.any():
        raise FitError([Fault("folds", failure) for failure in unseen.failures])
    apparent = recipe.predictions(kept, kept, horizon)[fitted]
    seen = Seen(kept[fitted], chosen)
    predicted = unseen.incidence[fitted]
    baseline, no_comparison = _baseline(kept, fold, recipe, horizon)
    rows, calibrations = _agreement(predicted, apparent, seen, horizons, level)
    scores = case_scores(predicted, seen.courses, chosen.ends, horizons)
    comparisons: tuple[Comparison, ...] = ()
    if baseline is not None:
        beside = case_scores(baseline[fitted], seen.courses, chosen.ends, horizons)
        comparisons = compare(scores, beside, seen.patient, level=level, seed=seed)
    return ValidationReport(
        definition=chosen.name,
        method=method,
        scheme=f"{folds}-fold cross-validation by patient",
        n_cases=int(fitted.sum()),
        n_patients=int(seen.patient.max()) + 1,
        n_left_out=int(len(table) - fitted.sum()),
        n_ended={end: int((seen.ending == j + 1).sum()) for j, end in enumerate(chosen.ends)},
        level=level,
        rows=(
            *rows,
            *_score_rows(
                scores, case_scores(apparent, seen.courses, chosen.ends, horizons), seen, level, seed
            ),
        ),
        calibrations=calibrations,
        predictions={
            (end, k): np.sort(predicted[:, chosen.ends.index(end), k - 1]) for end, k in calibrations
        },
        incidence=_incidence(predicted, seen, level),
        comparisons=comparisons,
        no_comparison=no_comparison,
        failures=unseen.failures,
        invented=bool(table.attrs.get("invented", False)),
    )


class Seen:
    """What happened to the predicted cases."""

    def __init__(self, cases: pd.DataFrame, definition: Definition) -> None:
        self.ends = definition.ends
        self.sessions, self.ending = outcome(cases, definition)
        self.patient = np.unique(cases["patient"].to_numpy(dtype=str), return_inverse=True)[1]
        self.courses = courses(self.sessions, self.ending, None, n_ends=len(definition.ends))


def _baseline(
    kept: pd.DataFrame, fold: IntArray, recipe: Recipe, horizon: int
) -> tuple[FloatArray | None, str]:
    """Life table predictions on the same folds, or None and why; no reason where no comparison is due."""
    if recipe.definition.strata or recipe.definition.outcome != "course":
        return None, ""
    table = Recipe(read_definition("lifetable"), "lifetable", recipe.seed, {})
    found = out_of_fold(kept, table, fold, horizon=horizon)
    if found.failures:
        return None, f"Not compared with the life table: it could not be fitted in {found.failures[0]}"
    return found.incidence, ""


def _agreement(
    predicted: FloatArray, apparent: FloatArray, seen: Seen, horizons: tuple[int, ...], level: float
) -> tuple[list[MeasureRow], dict[tuple[str, int], Calibration]]:
    rows: list[MeasureRow] = []
    calibrations: dict[tuple[str, int], Calibration] = {}
    for j, end in enumerate(seen.ends):
        for k in horizons:
            found, fitted = (
                calibration_at(
                    incidence[:, j, k - 1],
                    seen.sessions,
                    seen.ending,
                    end=j + 1,
                    horizon=k,
                    groups=seen.patient,
                    level=level,
                )
                for incidence in (predicted, apparent)
            )
            calibrations[end, k] = found
            for measure, interval in _FROM_CALIBRATION:
                low, high = getattr(found, interval) if interval else (np.nan, np.nan)
                value = getattr(found, measure)
                reason = found.reason if np.isnan(value) else ""
                rows.append(MeasureRow(measure, k, end, getattr(fitted, measure), value, low, high, reason))
    return rows, calibrations


def _score_rows(scores: Scores, apparent: Scores, seen: Seen, level: float, seed: int) -> list[MeasureRow]:
    rows = []
    for key, values in scores.items():
        low, high = patient_interval(values, seen.patient, level=level, seed=seed)
        measure, horizon, end = key
        rows.append(
            MeasureRow(measure, horizon, end, float(apparent[key].mean()), float(values.mean()), low, high)
        )
    return rows


def _incidence(predicted: FloatArray, seen: Seen, level: float) -> tuple[SessionIncidence, ...]:
    horizon = predicted.shape[-1]
    observed = aalen_johansen(seen.sessions, seen.ending, n_ends=len(seen.ends), horizon=horizon)
    z = normal_quantile(level)
    rows = []
    for j, end in enumerate(seen.ends):
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


def _check(definition: Definition, method: str, horizons: tuple[int, ...], level: float) -> tuple[int, ...]:
    faults = []
    if method not in METHODS:
        faults.append(Fault("method", f"{method!r}", ", ".join(METHODS)))
    if not horizons or any(
        isinstance(k, bool) or not isinstance(k, int) or not 1 <= k <= 40 for k in horizons
    ):
        faults.append(Fault("horizons", f"{horizons!r}", "whole sessions from 1 to 40"))
    if not 0 < level < 1:
        faults.append(Fault("level", f"{level!r}", "between 0 and 1, for example 0.95"))
    if faults:
        raise FitError(faults)
    last = LAST_SESSION[definition.outcome]
    kept = sorted({k for k in horizons if last is None or k <= last})
    if not kept:
        raise FitError(Fault("horizons", f"{horizons!r}", f"1 to {last} for {definition.name}"))
    return tuple(kept)
