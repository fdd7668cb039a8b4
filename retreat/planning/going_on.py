"""Chances that cases need at least so many further sessions, by draw of the model's parameters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.model.request import check_usable
from retreat.planning.staying import Columns, incomplete, staying

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import Model

FloatArray = NDArray[np.float64]

# largest session a model forecasts
_MOST_SESSIONS = 40
# draws for cases with a missing feature, each of which the model averages over many completions: the spread over
# draws is small beside that of the missing feature, and every draw is used for the complete cases
_DRAWS_INCOMPLETE = 200
# draws where each is averaged over 25 nodes of the patient effect
_DRAWS_OF_PATIENTS = 1000
# cases that stand for the new ones, and draws for them
_NEW_CASES = 40
# years of starts that they are taken from (our judgement)
_NEW_YEARS = 2


@dataclass(frozen=True)
class GoingOn:
    """Chance that each case needs at least so many further sessions.

    Parameters
    ----------
    stay : ndarray of float, shape (draws, cases, further)
        Entry j - 1: at least j further sessions, given those done; falls along the last axis.
    notes : tuple of str
        What the reader must know.
    """

    stay: FloatArray
    notes: tuple[str, ...] = ()


def going_on(model: Model, cases: pd.DataFrame, *, further: int, draws: int) -> GoingOn:
    """Chances of the open cases, each given that it was still in treatment after the sessions done.

    A case outside what the model saw counts as the mean of the others, and is noted.

    Parameters
    ----------
    model : Model
        Its forecast is used as it is.
    cases : DataFrame
        Open cases of the typed table.
    further : int, at least 1
        Further sessions looked at.
    draws : int
        Draws used, at most those of the model.

    Raises
    ------
    FitError
        If the model refuses all cases, or failed its own gates.
    """
    check_usable(model.card)
    draws = min(draws, model.parameters.n_draws)
    if model.parameters.patient_loading.any():
        draws = min(draws, _DRAWS_OF_PATIENTS)
    if not len(cases):
        return GoingOn(np.zeros((draws, 0, further)))
    done = cases["sessions"].to_numpy(dtype=np.int64)
    columns = _columns(cases)
    refused = np.array([bool(one.refusals) for one in model.support_of(columns)]) | (done >= _MOST_SESSIONS)
    if model.card.last_session:
        refused |= done >= model.card.last_session
    gaps_in = incomplete(model, columns, len(cases))
    stay = np.full((draws, len(cases), further), np.nan)
    for group, n in ((~gaps_in & ~refused, draws), (gaps_in & ~refused, min(draws, _DRAWS_INCOMPLETE))):
        rows = np.flatnonzero(group)
        if len(rows):
            found = staying(model, _rows(columns, rows), done[rows], further=further, draws=n)
            stay[:, rows] = found[_nearest(draws, n)] if n < draws else found
    refused = np.isnan(stay).any(axis=(0, 2))
    if refused.all():
        what = f"the model forecasts none of the {len(cases)} cases"
        raise FitError(Fault("cases", what, "cases like those it was fitted to", "fit a model to them"))
    notes: tuple[str, ...] = ()
    if refused.any():
        stay[:, refused] = stay[:, ~refused].mean(axis=1, keepdims=True)
        told = f"{int(refused.sum())} of {len(cases)} cases lie outside what the model saw"
        notes = (f"{told}: they count as the mean of the others",)
    return GoingOn(stay, notes)


def going_on_new(model: Model, cases: pd.DataFrame, *, further: int, draws: int) -> FloatArray:
    """Chances that a new case needs at least so many sessions after the first, shape (draws, further).

    The mean over up to 40 cases of the last two years, forecast from before their first session.
    """
    begun = cases[cases["sessions"] > 0].sort_values(["started", "case"])
    last_year = int(begun["started"].iloc[-1][:4]) if len(begun) else 0
    recent = begun[begun["started"].str[:4].astype(int) > last_year - _NEW_YEARS]
    chosen = recent.iloc[np.unique(np.linspace(0, len(recent) - 1, min(_NEW_CASES, len(recent))).astype(int))]
    chosen = chosen.assign(sessions=0, ending="ongoing")
    found = going_on(model, chosen, further=further + 1, draws=min(draws, _DRAWS_INCOMPLETE))
    mean = found.stay[:, :, 1:].mean(axis=1)
    return np.asarray(mean[_nearest(draws, len(mean))])


def _columns(cases: pd.DataFrame) -> Columns:
    """The table as plain arrays: a frame would copy what hangs on it at every look."""
    return {str(name): cases[name].to_numpy() for name in cases.columns}


def _rows(cases: Columns, rows: NDArray[np.intp]) -> Columns:
    return {name: values[rows] for name, values in cases.items()}


def _nearest(draws: int, kept: int) -> NDArray[np.intp]:
    """Which of the evenly spaced draws stands for each."""
    return np.rint(np.linspace(0, kept - 1, draws)).astype(np.intp)
