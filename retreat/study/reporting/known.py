"""What is at hand to fill a form from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from retreat.model import Model
from retreat.study.in_hand.performance import belongs

if TYPE_CHECKING:
    import pandas as pd

    from retreat.definitions import Definition
    from retreat.validation.report import ValidationReport


@dataclass(frozen=True)
class Filled:
    """What the data say of an entry.

    Parameters
    ----------
    text : str
        The words.
    source : str
        Where they come from.
    """

    text: str
    source: str


@dataclass(frozen=True)
class Known:
    """What a form may be filled from.

    Parameters
    ----------
    model : Model
        The model.
    report : ValidationReport or None
        Of its own recipe and cases.
    tables : mapping of str to DataFrame
        Tables of the cohort that may leave the clinic; empty without one.
    definition : Definition or None
        That of the model.
    cautions : tuple of str
        Of model and cohort.
    """

    model: Model
    report: ValidationReport | None
    tables: Mapping[str, pd.DataFrame]
    definition: Definition | None
    cautions: tuple[str, ...]

    @cached_property
    def card_source(self) -> str:
        """How the model card is named as a source."""
        return f"model card {self.model.model_id}"

    @property
    def report_source(self) -> str:
        """How the validation is named as a source."""
        return "validation report"

    def rows(self, table: str, **where: str) -> list[dict[str, Any]]:
        """Rows of a cohort table with these values; none where the table or a column is not there."""
        frame = self.tables.get(table)
        if frame is None or not set(where) <= set(frame.columns):
            return []
        for column, value in where.items():
            frame = frame[frame[column].astype(str) == value]
        return [{str(k): v for k, v in row.items()} for row in frame.to_dict("records")]


def gather(
    model: Model,
    report: ValidationReport | None = None,
    cohort: Any = None,
    definition: Definition | None = None,
) -> tuple[Known, tuple[str, ...]]:
    """What of these belongs to the model, and what was set aside and why.

    Parameters
    ----------
    model : Model
        The model.
    report : ValidationReport, optional
        Set aside where it validated another recipe or other cases.
    cohort : Cohort or SharedCohort, optional
        Of a cohort that still holds small counts, the tables that may leave the clinic are taken.
    definition : Definition, optional
        Set aside where the model is of another.

    Returns
    -------
    Known
        What is at hand.
    tuple of str
        What was set aside.
    """
    aside = []
    if report is not None and not belongs(model, report):
        aside.append("The validation report is of another recipe or of other cases: it was not used.")
        report = None
    if definition is not None and definition.fingerprint != model.card.definition_fingerprint:
        aside.append("The definition is not that of the model: it was not used.")
        definition = None
    if cohort is not None and hasattr(cohort, "shared"):
        cohort = cohort.shared()
    tables = cohort.to_frames() if cohort is not None else {}
    cautions = dict.fromkeys((*model.card.cautions, *getattr(cohort, "cautions", ())))
    return Known(model, report, tables, definition, tuple(cautions)), tuple(aside)


def shown(value: Any) -> str:
    """A number of a shared table as it may be printed; ``hidden`` where it was suppressed."""
    import pandas as pd  # a cohort brings it with it

    if value is None or pd.isna(value):
        return "hidden"
    return f"{value:.3g}" if isinstance(value, float) and value != int(value) else str(int(value))


def counted(value: Any, unit: str) -> str:
    """A count with its unit, a plural such as ``sites``.

    Examples
    --------
    >>> counted(1, "sites"), counted(2, "sites"), counted(None, "sites")
    ('1 site', '2 sites', 'hidden sites')
    """
    told = shown(value)
    return f"{told} {unit.removesuffix('s') if told == '1' else unit}"
