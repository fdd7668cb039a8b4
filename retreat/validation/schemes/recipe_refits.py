"""Refits of a recipe on samples of a case table: every step that looks at the data is redone in each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.fitting.design import CaseData
from retreat.fitting.histories.joined import joined
from retreat.model import Model
from retreat.model.history import Records
from retreat.recipe import fit_design
from retreat.validation.imputation import imputed
from retreat.validation.schemes.resampling import copies

FloatArray = NDArray[np.float64]

# draws behind a mean prediction inside a resample: their noise, some 0.001, is a tenth of one eye in 100
DRAWS = 400


@dataclass(frozen=True)
class RecipeRefits:
    """Definition, method and settings, refitted to weighted samples of the same cases.

    Parameters
    ----------
    data : CaseData
        Begun cases. Those with a missing feature are left out of a fit or imputed; their own prediction is averaged
        over the case mix, as for a patient of whom it is not known.
    method : str
        A method of :func:`retreat.fit`.
    seed : int
        Seed of every fit.
    settings : mapping of str to object
        Settings of the method.
    horizon : int
        Largest session predicted.
    imputations : int
        Copies with imputed features that are fitted; their predictions are averaged, which is Rubin's pooled
        estimate (Rubin 1987, from memory). 0 fits complete cases.
    records : Records, optional
        What was noted of the cases' sessions, for a definition with a history; without, its base model alone is
        fitted, which is all that a forecast from before the first session uses.
    """

    data: CaseData
    method: str
    seed: int
    settings: Mapping[str, Any]
    horizon: int
    imputations: int = 0
    records: Records | None = None

    def predict(self, weights: FloatArray) -> tuple[FloatArray, dict[int, str]]:
        """See :class:`~retreat.validation.schemes.resampling.Refits`."""
        n = len(self.data.sessions)
        out = np.full((len(weights), n, len(self.data.definition.ends), self.horizon), np.nan)
        failures: dict[int, str] = {}
        for r, weight in enumerate(weights):
            try:
                out[r] = self.expected(self.models(weight))
            except FitError as error:
                out[r] = np.nan
                failures[r] = str(error.faults[0])
        return out, failures

    def models(self, weight: FloatArray) -> list[Model]:
        """Models of one sample: one, or one an imputed copy.

        Parameters
        ----------
        weight : ndarray of float, shape (cases,)
            How often each case stands in the sample.

        Raises
        ------
        FitError
            If one cannot be fitted or fails its gates.
        """
        rows, copy = copies(weight)
        sample = self.data.rows(rows)
        # a patient drawn twice is two patients
        numbered = np.char.add(np.char.add(sample.patient.astype(str), "#"), copy.astype(str))
        sample = replace(sample, patient=numbered)
        fitted = imputed(sample, self.imputations, self.seed) if self.imputations else [sample]
        records = None if self.records is None else self.records.rows(rows)
        return [self._model(one, records) for one in fitted]

    def expected(self, models: Sequence[Model]) -> FloatArray:
        """Mean prediction of every case from before the first session, shape (cases, ends, horizon)."""
        found = [model.expected_of(self.data.features, horizon=self.horizon) for model in models]
        return np.asarray(np.mean(found, axis=0))

    def _model(self, sample: CaseData, records: Records | None) -> Model:
        design = sample.design()
        model = fit_design(design, self.method, seed=self.seed, settings=self._settings)
        if records is not None:
            model = joined(model, design, records.rows(np.flatnonzero(sample.complete)), seed=self.seed)
        if model.card.failures:
            raise FitError(Fault("fit", model.card.failures[0], "a fit that passes its gates"))
        return model

    @property
    def _settings(self) -> dict[str, Any]:
        fewer = {"draws": DRAWS} if self.method in ("logistic", "lifetable") else {}
        return {**fewer, **self.settings}
