"""What an update leaves: the model, the tests, calibration before and after, and words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from math import isfinite
from typing import TYPE_CHECKING, Any

from retreat.updating.agreement_before_after import CalibrationRow
from retreat.updating.ladder import TestRow

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import Model
    from retreat.validation.verdict import Verdict

_TESTS = ("against", "of", "statistic", "degrees_of_freedom", "p", "rejected")
_CALIBRATION = tuple(CalibrationRow.__dataclass_fields__)


@dataclass(frozen=True)
class Update:
    """A model brought up to date, and what speaks for it.

    Parameters
    ----------
    model : Model
        The updated model, its lineage one longer; the very model given where it is kept.
    step : str
        ``"none"``, ``"intercepts"``, ``"intercepts_slope"``, ``"re_estimation"``, or ``"bayesian"``.
    supported : str
        The highest step that the cases support.
    test_rows : tuple of TestRow
        Tests of the closed procedure, in their order.
    calibration_rows : tuple of CalibrationRow
        Measures on the practice's cases before and, out of sample, after.
    fold_steps : mapping of str to int
        Steps taken when the update was redone in the folds.
    verdict : Verdict or None
        What the calibration after the update says of its use, by the rule of a validation; held against no life table.
        None where none is drawn.
    no_verdict : str
        Why none is drawn; empty where one is.
    n_cases, n_patients, n_left_out : int
        Cases of the practice that were used, their patients, and cases left out.
    n_ended : mapping of str to int
        Used cases ended in each way.
    words : tuple of str
        What was done, why not further, what to do next.
    """

    model: Model
    step: str
    supported: str
    test_rows: tuple[TestRow, ...]
    calibration_rows: tuple[CalibrationRow, ...]
    fold_steps: Mapping[str, int]
    verdict: Verdict | None
    no_verdict: str
    n_cases: int
    n_patients: int
    n_left_out: int
    n_ended: Mapping[str, int]
    words: tuple[str, ...]

    @property
    def tests(self) -> pd.DataFrame:
        """The closed test: the step tested (`against`), the one it was held against (`of`), statistic, p."""
        import pandas as pd  # heavy: only whoever asks for a table pays for it

        return pd.DataFrame(
            [[getattr(r, c) for c in _TESTS] for r in self.test_rows], columns=list(_TESTS)
        ).astype({"against": "str", "of": "str"})

    @property
    def calibration(self) -> pd.DataFrame:
        """Measures before and after, one row an end, session and measure, with intervals."""
        import pandas as pd  # heavy: only whoever asks for a table pays for it

        return pd.DataFrame(
            [[getattr(r, c) for c in _CALIBRATION] for r in self.calibration_rows], columns=list(_CALIBRATION)
        ).astype({"end": "str", "measure": "str", "reason": "str"})

    def to_json(self) -> dict[str, Any]:
        """Every number as plain lists; what could not be estimated is null."""
        return {
            "model_id": self.model.model_id,
            "step": self.step,
            "supported": self.supported,
            "tests": [_plain(asdict(row)) for row in self.test_rows],
            "calibration": [_plain(asdict(row)) for row in self.calibration_rows],
            "fold_steps": dict(self.fold_steps),
            "standing": self.verdict.standing if self.verdict else None,
            "reasons": list(self.verdict.reasons) if self.verdict else [],
            "next_step": self.verdict.next_step if self.verdict else None,
            "no_verdict": self.no_verdict or None,
            "n_cases": self.n_cases,
            "n_patients": self.n_patients,
            "n_left_out": self.n_left_out,
            "n_ended": dict(self.n_ended),
            "words": list(self.words),
            "cautions": list(self.model.card.cautions),
        }


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    return {k: None if isinstance(v, float) and not isfinite(v) else v for k, v in row.items()}
