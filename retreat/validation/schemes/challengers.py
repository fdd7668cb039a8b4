"""What a model is measured against, under the same samples: everyone alike, the life table, boosted trees, frailty."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.definitions import read_definition
from retreat.errors import FitError
from retreat.fitting.design import CaseData
from retreat.model.completion import is_missing
from retreat.validation._checked import courses
from retreat.validation.samples import Samples
from retreat.validation.schemes.recipe_refits import RecipeRefits
from retreat.validation.schemes.resampling import Refits, copies

FloatArray = NDArray[np.float64]

CHALLENGERS = ("null", "lifetable", "boosted")
# only where asked for: a Bayesian refit takes a second or more at 1,000 cases, so ten folds take ten
ASKED_FOR = ("frailty",)


@dataclass(frozen=True)
class NullRefits:
    """The share seen among all of a sample (Aalen and Johansen), for every case."""

    data: CaseData
    horizon: int

    def predict(self, weights: FloatArray) -> tuple[FloatArray, dict[int, str]]:
        """See :class:`~retreat.validation.schemes.resampling.Refits`."""
        ends = len(self.data.definition.ends)
        seen = courses(self.data.sessions, self.data.ending, None, n_ends=ends)
        observed = Samples(seen, weights).observed(self.horizon)  # (samples, ends, horizon)
        shape = (len(weights), len(self.data.sessions), ends, self.horizon)
        return np.broadcast_to(observed[:, None], shape).copy(), {}


@dataclass(frozen=True)
class BoostedRefits:
    """Histogram gradient boosting on person-session rows of the coded columns."""

    data: CaseData
    seed: int
    horizon: int

    def predict(self, weights: FloatArray) -> tuple[FloatArray, dict[int, str]]:
        """See :class:`~retreat.validation.schemes.resampling.Refits`."""
        from retreat.fitting.boosted import boosted_incidence  # heavy: brings scikit-learn's trees

        n = len(self.data.sessions)
        out = np.full((len(weights), n, len(self.data.definition.ends), self.horizon), np.nan)
        failures: dict[int, str] = {}
        for r, weight in enumerate(weights):
            rows, _ = copies(weight)
            try:
                sample = self.data.rows(rows)
                design = sample.design()
                X = design.coding.encode(_filled(self.data, sample), n_cases=n)
                out[r] = boosted_incidence(design, X, self.horizon, self.seed)
            except FitError as error:
                failures[r] = str(error.faults[0])
        return out, failures


def _filled(data: CaseData, sample: CaseData) -> dict[str, NDArray[Any]]:
    """Features with missing ones at the commonest level or the median of the sample: trees are not told more."""
    filled = {}
    for name, values in data.features.items():
        gone, filled[name] = is_missing(values), values.copy()
        known = sample.features[name][~is_missing(sample.features[name])]
        if gone.any() and len(known):
            text = known.dtype == object
            levels, counts = np.unique(known.astype(str) if text else known, return_counts=True)
            filled[name][gone] = levels[counts.argmax()] if text else np.median(known)
    return filled


def challenger(name: str, data: CaseData, *, seed: int, horizon: int) -> Refits | None:
    """Refits of a challenger on the same cases; None where it has no place beside the definition.

    Parameters
    ----------
    name : str
        One of :data:`CHALLENGERS` or :data:`ASKED_FOR`.
    data : CaseData
        Complete cases of the definition validated.
    seed, horizon : int
        As for the model.
    """
    definition = data.definition
    if name == "null":
        return NullRefits(data, horizon)
    if name == "lifetable":
        if definition.strata or definition.outcome != "course":
            return None
        table = read_definition("lifetable")
        if table.strata not in data.features:
            return None
        return RecipeRefits(replace(data, definition=table), "lifetable", seed, {}, horizon)
    if name == "frailty":
        return _frailty(data, seed=seed, horizon=horizon)
    return None if definition.strata else BoostedRefits(data, seed, horizon)


def _frailty(data: CaseData, *, seed: int, horizon: int) -> Refits | None:
    """The shipped definition whose eyes of one description differ in how hard they are, by the Bayesian route."""
    validated, frailty = data.definition, read_definition("frailty")
    if validated.strata or validated.outcome != "course" or validated.fingerprint == frailty.fingerprint:
        return None
    if not set(frailty.features) <= set(data.features):
        return None
    return RecipeRefits(replace(data, definition=frailty), "bayes", seed, {}, horizon)
