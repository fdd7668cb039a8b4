"""A model of a definition with a history: a base model of the cases, joined by what their sessions showed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from retreat.errors import Fault, FitError
from retreat.fitting.design import CaseData, Design
from retreat.model.fitted import Model
from retreat.model.history.records import Records, read_records
from retreat.tables import as_visits

if TYPE_CHECKING:
    import pandas as pd


def fit_joined(
    cases: pd.DataFrame,
    visits: pd.DataFrame | None,
    data: CaseData,
    method: str,
    *,
    seed: int,
    settings: Mapping[str, Any],
    fit: Callable[..., Model],
) -> Model:
    """Fit the base model and join the history of the definition to it.

    Parameters
    ----------
    cases, visits : DataFrame
        The tables; the visits are checked against the cases.
    data : CaseData
        The cases read for the definition.
    method : str
        Of the base model.
    seed : int
        Of everything random.
    settings : mapping
        Settings of the method.
    fit : callable
        Fits a design: `(design, method, seed=, settings=)`.

    Raises
    ------
    FitError
        If there are no visits, or too little was noted.
    TableError
        If the visits are refused.
    """
    definition = data.definition
    if visits is None:
        what = f"{definition.name} learns from what each session did"
        raise FitError(Fault("visits", what, "a table of visits", "give visits, or fit core"))
    records = records_of(cases, visits, data)
    design = data.design()
    base = fit(design, method, seed=seed, settings=settings)
    return joined(base, design, records, seed=seed)


def records_of(cases: pd.DataFrame, visits: pd.DataFrame, data: CaseData) -> Records:
    """What was noted of the sessions of the complete cases, in their order."""
    checked = as_visits(visits, cases)
    return read_records(cases, checked, data.sessions).rows(np.flatnonzero(data.complete))


def joined(base: Model, design: Design, records: Records, *, seed: int) -> Model:
    """The base model with the history of its definition."""
    history = design.definition.history
    if history is not None and history.kind == "landmark":
        from retreat.fitting.histories.landmark import with_landmark

        return with_landmark(base, design, records, seed=seed)
    from retreat.fitting.histories.progress import with_progress  # heavy: brings the sampler

    return with_progress(base, design, records, seed=seed)
