"""What the checks of a fit found: replicated clinics, cases foreseen by the others, definitions beside each other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from retreat.checks.curves import Curves
from retreat.checks.discrepancies import Discrepancies
from retreat.checks.held_out import CrossValidation, Scheme
from retreat.checks.stacking import Beside
from retreat.validation.histogram import DCalibration

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class FitChecks:
    """Result of :func:`retreat.check_fit`; it holds no column of a case, and no key.

    Parameters
    ----------
    definition, title : str
        What was checked.
    method : str
        How its posterior was drawn.
    n_cases, n_patients, n_left_out : int
        Cases and patients fitted, and cases left out.
    ended : dict of str to int
        Cases by how they ended.
    curves : Curves
        Incidence over replicated clinics.
    discrepancies : Discrepancies
        Numbers of the clinic beside those of replicated ones.
    leave_one_out : CrossValidation
        Each case foreseen by the others.
    folds : CrossValidation or None
        The same in folds by patient, where asked for or needed.
    told_by : {"case", "patients"}
        Which of the two the transform and the comparison rest on: folds where weights fail in too many cases.
    pit : DCalibration
        Where courses fall in what the others foresee.
    beside : tuple of Beside
        The definition checked and the others; the first alone without others.
    failures : tuple of str
        Other definitions, and refits, that could not be fitted.
    notes : tuple of str
        What the reader should know.
    cautions : tuple of str
        What must be read first.
    """

    definition: str
    title: str
    method: str
    n_cases: int
    n_patients: int
    n_left_out: int
    ended: dict[str, int]
    curves: Curves
    discrepancies: Discrepancies
    leave_one_out: CrossValidation
    folds: CrossValidation | None
    told_by: Scheme
    pit: DCalibration
    beside: tuple[Beside, ...]
    failures: tuple[str, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def discrepancy_table(self) -> pd.DataFrame:
        """Tidy table: group, what, n, observed, low, high, p, reading."""
        columns = ("group", "what", "n", "observed", "low", "high", "p", "reading")
        return _frame(self.discrepancies.rows, columns)

    @property
    def incidence_table(self) -> pd.DataFrame:
        """Tidy table: end, session, n_at_risk, observed, low, high, p."""
        columns = ("end", "session", "n_at_risk", "observed", "low", "high", "p")
        return _frame(self.curves.rows, columns)

    @property
    def case_table(self) -> pd.DataFrame:
        """One row a fitted case, in the order of the table: elpd, in_sample, khat, refitted."""
        return self.leave_one_out.to_frame()

    @property
    def comparison_table(self) -> pd.DataFrame:
        """Tidy table: one row a definition, the one checked first."""
        return _frame(self.beside, tuple(Beside.__dataclass_fields__))

    def to_json(self) -> dict[str, Any]:
        """Every number but those of single cases, as plain lists; what could not be told is null."""
        pit = self.pit
        return {
            "definition": self.definition,
            "method": self.method,
            "n_cases": self.n_cases,
            "n_patients": self.n_patients,
            "n_left_out": self.n_left_out,
            "n_ended": self.ended,
            "cautions": list(self.cautions),
            "notes": list(self.notes),
            "failures": list(self.failures),
            "n_clinics": self.discrepancies.n_clinics,
            "level": self.discrepancies.level,
            "discrepancies": self._records(self.discrepancy_table),
            "incidence": self._records(self.incidence_table),
            "leave_one_out": _summary(self.leave_one_out),
            "folds": None if self.folds is None else _summary(self.folds),
            "pit": {
                "p": _number(pit.p),
                "reason": pit.reason,
                "edges": pit.histogram.edges.tolist(),
                "observed": pit.histogram.observed.tolist(),
            },
            "comparison": self._records(self.comparison_table),
        }

    def _records(self, table: pd.DataFrame) -> list[dict[str, Any]]:
        return [
            {str(name): _number(value) for name, value in row.items()} for row in table.to_dict("records")
        ]


def _frame(rows: Any, columns: tuple[str, ...]) -> pd.DataFrame:
    import pandas as pd  # heavy: only whoever asks for a table pays for it

    return pd.DataFrame([[getattr(row, c) for c in columns] for row in rows], columns=list(columns))


def _summary(found: CrossValidation) -> dict[str, Any]:
    return {
        "scheme": found.scheme,
        "n_folds": found.n_folds,
        "elpd": _number(found.total),
        "standard_error": _number(found.standard_error),
        "n_effective": _number(found.n_effective),
        "n_khat_high": found.n_high,
        "n_refitted": int(found.refitted.sum()),
    }


def _number(value: Any) -> Any:
    if isinstance(value, float | np.floating):
        return float(value) if np.isfinite(value) else None
    return value
