"""Forecasts during a course of a recipe, and of the one it is held against: what they start from."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from retreat.definitions import LAST_SESSION, Definition, read_definition
from retreat.errors import Fault, FitError
from retreat.fitting.design import CaseData, read_data
from retreat.model.history import Records, read_records
from retreat.recipe import chosen_method
from retreat.tables import as_visits
from retreat.validation.run import Run
from retreat.validation.schemes.landmark_refits import Known, held_out_at
from retreat.validation.schemes.recipe_refits import RecipeRefits

if TYPE_CHECKING:
    import pandas as pd

BoolArray = NDArray[np.bool_]
FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# what a model that learns during a course is held against
USUAL = "core"


@dataclass(frozen=True)
class Course:
    """The cases of a validation with what was noted of their sessions.

    Parameters
    ----------
    known : Known
        Tables of the cases validated.
    records : Records or None
        The same visits as arrays; None without visits.
    at : tuple of int
        Landmarks.
    """

    known: Known
    records: Records | None
    at: tuple[int, ...]

    @property
    def begun(self) -> bool:
        """Whether a landmark lies after the first session."""
        return any(self.at)

    def records_for(self, definition: Definition) -> Records | None:
        """What a fit of this definition learns from; None where a base model is all that is looked at.

        Raises
        ------
        FitError
            If the definition learns from visits and none were given.
        """
        if definition.history is None or not self.begun:
            return None
        if self.records is None:
            what = f"{definition.name} learns from what each session did"
            raise FitError(
                Fault(
                    "visits",
                    what,
                    "a table of visits",
                    "give visits, or leave forecasts during a course out: at=(), --at none",
                )
            )
        return self.records

    def told(self, definition: Definition) -> dict[int, BoolArray]:
        """Cases of which something had been noted by each landmark, shape (cases,); none where no model learns of it.

        A model with a history forecasts the others as its base model would: what it learned shows in these alone.
        """
        if definition.history is None or self.records is None:
            return {}
        return {done: self.records.until(done).told for done in self.at if done}


def read_course(
    table: pd.DataFrame,
    visits: pd.DataFrame | None,
    everyone: CaseData,
    kept: NDArray[np.intp],
    at: tuple[int, ...],
) -> Course:
    """What was known of the cases validated.

    Parameters
    ----------
    table : DataFrame
        Checked cases.
    visits : DataFrame or None
        Visits; they are held against the cases.
    everyone : CaseData
        All cases.
    kept : ndarray of int
        Positions of those validated.
    at : tuple of int
        Landmarks.

    Raises
    ------
    TableError
        If the visits are refused.
    """
    if visits is None:
        return Course(Known(table.iloc[kept], None), None, at)
    checked = as_visits(visits, table)
    # sessions as in the table: an outcome may look at the first alone
    done = table["sessions"].to_numpy(dtype=np.int64)
    return Course(Known(table.iloc[kept], checked), read_records(table, checked, done).rows(kept), at)


def held_against(
    against: str | Path | Definition | None, definition: Definition, at: tuple[int, ...]
) -> Definition | None:
    """The definition that forecasts during a course are held against: the one named, or core beside a history.

    Raises
    ------
    DefinitionError
        If it is refused.
    FitError
        If it is of another outcome.
    """
    if against is None and (definition.history is None or not any(at)):
        return None
    other = read_definition(USUAL if against is None else against)
    if LAST_SESSION[other.outcome] != LAST_SESSION[definition.outcome]:
        what = f"{other.name} looks at {other.outcome.replace('_', ' ')}"
        raise FitError(Fault("against", what, f"a definition of {definition.outcome.replace('_', ' ')}"))
    return other


def forecasts_beside(
    other: Definition,
    course: Course,
    run: Run,
    table: pd.DataFrame,
    kept: NDArray[np.intp],
    deal: IntArray,
    *,
    horizon: int,
    imputations: int,
) -> tuple[dict[int, FloatArray], tuple[str, ...]]:
    """Forecasts of the other definition on the same folds, by sessions had, and its failures.

    Parameters
    ----------
    other : Definition
        From :func:`held_against`.
    course : Course
        The cases.
    run : Run
        How they are looked at.
    table : DataFrame
        All cases, checked.
    kept : ndarray of int
        Positions of those validated.
    deal : ndarray of int, shape (1, cases)
        Fold of each case.
    horizon, imputations : int
        As for the recipe validated.
    """
    data = read_data(table, other).rows(kept)
    records = course.records_for(other)
    method = chosen_method(other, None)
    refits = RecipeRefits(data, method, run.seed, {}, horizon, imputations, records)
    found, later = held_out_at(
        refits, course.known, deal, course.at, jobs=run.jobs, cluster=run.cluster, progress=run.progress
    )
    return later, found.failures
