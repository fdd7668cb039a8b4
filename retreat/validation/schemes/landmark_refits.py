"""Refits of a recipe that also forecast the cases held out from where they stood after so many sessions."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from retreat.definitions import LAST_SESSION
from retreat.errors import FitError
from retreat.model import Model
from retreat.model.request import MAX_HORIZON
from retreat.validation.midcourse import AHEAD
from retreat.validation.schemes.folds import HeldOut, held_out
from retreat.validation.schemes.recipe_refits import RecipeRefits
from retreat.validation.schemes.resampling import Progress

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# draws behind a forecast during a course, evenly spaced: their mean has a standard error of 0.003 to 0.006 for a usual
# eye and 0.011 for the least certain one (clinics of 260 cases), alike for eyes alike, as all share the draws
DRAWS = 400
# columns that only the end of a course fills, or that no forecast reads
_LATER = ("sessions", "ending", "stop_reason", "relief_after", "patient", "operator", "site")


@dataclass(frozen=True)
class Known:
    """What a clinic knew of each case at any time of its course.

    Parameters
    ----------
    cases : DataFrame
        Checked cases; nothing of how their courses went on or ended is handed over.
    visits : DataFrame or None
        Checked visits.
    """

    cases: pd.DataFrame
    visits: pd.DataFrame | None

    def after(self, done: int, rows: IntArray) -> tuple[pd.DataFrame, pd.DataFrame | None]:
        """Cases and visits as they stood after so many sessions; later visits are not among them.

        Parameters
        ----------
        done : int, from 1
            Sessions had.
        rows : ndarray of int
            Positions of cases that went on.
        """
        cases = self.cases.iloc[rows].drop(columns=[c for c in _LATER if c in self.cases.columns])
        cases = cases.assign(sessions=done)
        if self.visits is None:
            return cases, None
        known = (self.visits["session"] <= done) & self.visits["case"].isin(cases["case"])
        return cases, self.visits[known]


@dataclass(frozen=True)
class LandmarkRefits:
    """A recipe whose predictions are followed by its forecasts given the sessions had.

    The last axis of a prediction holds the sessions from the first to the horizon and then, for each landmark, those
    that follow it: :func:`parted` takes it apart. A model is fitted once for all of them. Forecasts given the sessions
    had are made for the cases outside the sample that went on; others have NaN.

    Parameters
    ----------
    refits : RecipeRefits
        The recipe.
    known : Known
        What was known of the same cases, in their order.
    at : tuple of int
        Landmarks: sessions had.
    """

    refits: RecipeRefits
    known: Known
    at: tuple[int, ...]

    def predict(self, weights: FloatArray) -> tuple[FloatArray, dict[int, str]]:
        """See :class:`~retreat.validation.schemes.resampling.Refits`."""
        data = self.refits.data
        ends, last = len(data.definition.ends), LAST_SESSION[data.definition.outcome]
        width = self.refits.horizon + sum(ahead(done, last) for done in self.at)
        out = np.full((len(weights), len(data.sessions), ends, width), np.nan)
        failures: dict[int, str] = {}
        for r, weight in enumerate(weights):
            try:
                models = self.refits.models(weight)
                parts = [self.refits.expected(models)]
                parts += [self._after(models, done, weight == 0, parts[0]) for done in self.at]
                out[r] = np.concatenate(parts, axis=-1)
            except FitError as error:
                failures[r] = str(error.faults[0])
        return out, failures

    def _after(
        self, models: list[Model], done: int, unseen: NDArray[np.bool_], expected: FloatArray
    ) -> FloatArray:
        """Forecasts given the sessions had, shape (cases, ends, ahead)."""
        data = self.refits.data
        further = ahead(done, LAST_SESSION[data.definition.outcome])
        if not done:  # a course not begun is forecast from its features, whatever the model
            return expected[:, :, :further]
        out = np.full((*expected.shape[:2], further), np.nan)
        rows = np.flatnonzero(unseen & (data.sessions > done))
        if len(rows):
            found = [self._forecast(model, rows, done, further) for model in models]
            out[rows] = np.mean(found, axis=0)
        return out

    def _forecast(self, model: Model, rows: IntArray, done: int, further: int) -> FloatArray:
        cases, visits = self.known.after(done, rows)
        draws = min(DRAWS, model.parameters.n_draws)
        try:
            found = model.forecast(cases, visits=visits, horizon=done + further, draws=draws)
        except FitError:
            if len(rows) == 1:  # outside what the model saw, or given no chance of getting so far
                return np.full((1, len(model.ends), further), np.nan)
            return np.concatenate([self._forecast(model, rows[[i]], done, further) for i in range(len(rows))])
        return np.asarray(found.incidence[..., done:].mean(axis=0))


def ahead(done: int, last: int | None) -> int:
    """Sessions after the landmark that are looked at: two, if the model reaches so far."""
    return min(AHEAD, (MAX_HORIZON if last is None else last) - done)


def parted(
    found: HeldOut, *, horizon: int, at: tuple[int, ...], last: int | None
) -> tuple[HeldOut, dict[int, FloatArray]]:
    """Predictions from before the first session, and of the first deal those after each landmark.

    Parameters
    ----------
    found : HeldOut
        Of :class:`LandmarkRefits`.
    horizon : int
        Of its recipe.
    at : tuple of int
        Its landmarks.
    last : int or None
        Largest session the definition looks at; None is the whole course.

    Returns
    -------
    HeldOut
        As of the recipe alone.
    dict of int to ndarray of float, shape (cases, ends, ahead)
        By sessions had.
    """
    later: dict[int, FloatArray] = {}
    start = horizon
    for done in at:
        stop = start + ahead(done, last)
        later[done] = found.incidence[0, ..., start:stop]
        start = stop
    return replace(found, incidence=found.incidence[..., :horizon]), later


def held_out_at(
    refits: RecipeRefits,
    known: Known,
    deals: IntArray,
    at: tuple[int, ...],
    *,
    jobs: int = 1,
    cluster: str = "",
    progress: Progress | None = None,
) -> tuple[HeldOut, dict[int, FloatArray]]:
    """Predictions of every case by the recipe fitted to the others, and of the first deal its forecasts at landmarks.

    Parameters
    ----------
    refits : RecipeRefits
        The recipe.
    known : Known
        What was known of the same cases.
    deals : ndarray of int, shape (repeats, cases)
        Fold of each case.
    at : tuple of int
        Landmarks; none for predictions from before the first session alone.
    jobs, cluster, progress
        As for :func:`~retreat.validation.schemes.resampling.shared`.
    """
    if not at:
        return held_out(refits, deals, jobs=jobs, cluster=cluster, progress=progress), {}
    both = LandmarkRefits(refits, known, at)
    found = held_out(both, deals, jobs=jobs, cluster=cluster, progress=progress)
    last = LAST_SESSION[refits.data.definition.outcome]
    return parted(found, horizon=refits.horizon, at=at, last=last)
