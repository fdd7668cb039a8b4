"""What is known of a cohort: tables that stay in the clinic, and those that may leave it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from retreat.model.support import SMALL_CELL
from retreat.study.cohort.flow import missing_agrees
from retreat.study.cohort.keys import Key, units_agree
from retreat.study.suppression.protecting import Protection, protect, rule
from retreat.study.suppression.sourced import Sourced, linked_tables

if TYPE_CHECKING:
    import pandas as pd

INVENTED = "These cases were invented for demonstration. Their numbers say nothing of any treatment."
DESCRIBED = (
    "A description of one case series: not a decision to treat, not a promise, and no proof of an effect."
)
# columns that hold names of groups, and what may be told apart by codes of the clinic
_NAMES = ("group", "first", "second", "kind")
_CODED = ("site", "operator")


@dataclass(frozen=True)
class Cohort:
    """Who was studied. It holds small counts and stays in the clinic; :meth:`shared` gives what may leave.

    Parameters
    ----------
    flow, baseline, differences, follow_up, life_table, incidence : Sourced
        The tables; see the functions of these names.
    by, kind : str
        What the first table, and the life table and curves, tell cases apart by.
    level : float
        Of the intervals.
    resamples, seed : int
        Of the samples of patients.
    invented : bool
        Whether the cases are.
    """

    flow: Sourced
    baseline: Sourced
    differences: Sourced
    follow_up: Sourced
    life_table: Sourced
    incidence: Sourced
    by: str
    kind: str
    level: float
    resamples: int
    seed: int
    invented: bool

    @property
    def tables(self) -> dict[str, Sourced]:
        """All tables by name."""
        names = ("flow", "baseline", "differences", "follow_up", "life_table", "incidence")
        return {name: getattr(self, name) for name in names}

    @property
    def cautions(self) -> tuple[str, ...]:
        """Lines that every output shows first."""
        return (INVENTED, DESCRIBED) if self.invented else (DESCRIBED,)

    def to_frames(self) -> dict[str, pd.DataFrame]:
        """Every table with every count: for the clinic alone."""
        return {name: table.frame.copy() for name, table in self.tables.items()}

    def shared(self, *, threshold: int = SMALL_CELL) -> SharedCohort:
        """The tables with small counts hidden, others so that none can be worked out, and codes of places replaced.

        All tables are protected together: a count that stands in two is hidden in both, and what one table says of
        another's counts (at risk less at risk, missing and left out for it, patients, their eyes and cases, patients in
        several groups) is held against them.

        Parameters
        ----------
        threshold : int, 1 to 1000
            See :func:`~retreat.study.suppression.protect`.

        Raises
        ------
        TableError
            If the threshold is out of range.
        """
        tables = self.tables
        keys: dict[Key, int] = {}
        for table in tables.values():
            keys |= {key: n for key, n in table.counts.items() if isinstance(key, Key)}
        told = units_agree(keys)
        relations = (*missing_agrees(self.flow, self.baseline), *told.relations)
        linked = linked_tables(tables.values(), relations, unseen=told.counts)
        protection = protect(linked, threshold=threshold)
        codes = self._codes()
        frames = {}
        for name, table in tables.items():
            frame = table.without(protection.hidden)
            for column in (column for column in _NAMES if column in frame):
                frame[column] = frame[column].map(lambda text: codes.get(text, text))
            frames[name] = frame
        return SharedCohort(frames, protection, self._facts(), self.cautions)

    def _codes(self) -> dict[str, str]:
        """Codes of sites or operators, and what stands in their place, in an order drawn from the seed."""
        codes: dict[str, str] = {}
        for name, table, column in ((self.by, self.baseline, "group"), (self.kind, self.life_table, "kind")):
            if name not in _CODED:
                continue
            seen = sorted(set(table.frame[column]) - {"all", "missing"})
            order = np.random.default_rng(self.seed).permutation(len(seen))
            codes |= {seen[place]: f"{name} {number}" for number, place in enumerate(order, start=1)}
        return codes

    def _facts(self) -> dict[str, Any]:
        return {
            "by": self.by,
            "kind": self.kind,
            "level": self.level,
            "resamples": self.resamples,
            "seed": self.seed,
            "invented": self.invented,
        }


@dataclass(frozen=True)
class SharedCohort:
    """Tables that may leave the clinic.

    Parameters
    ----------
    frames : mapping of str to DataFrame
        By name; hidden numbers are missing, and column `hidden` names those of a row.
    protection : Protection
        What was hidden; it names small counts, and stays.
    facts : mapping
        How the tables were made.
    cautions : tuple of str
        Lines that every output shows first.
    """

    frames: Mapping[str, pd.DataFrame]
    protection: Protection
    facts: Mapping[str, Any]
    cautions: tuple[str, ...]

    @property
    def rule(self) -> str:
        """What is hidden, in words."""
        return rule(self.protection.threshold)

    def to_frames(self) -> dict[str, pd.DataFrame]:
        """The tables by name."""
        return {name: frame.copy() for name, frame in self.frames.items()}

    def to_json(self) -> dict[str, Any]:
        """Every table as plain lists; what is hidden or not known is null."""
        return {
            **self.facts,
            "cautions": list(self.cautions),
            "suppression": self.protection.to_json(),
            "tables": {name: _records(frame) for name, frame in self.frames.items()},
        }


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    import pandas as pd

    def plain(value: Any) -> Any:
        if value is None or pd.isna(value):
            return None
        return value.item() if isinstance(value, np.generic) else value

    return [{str(name): plain(value) for name, value in row.items()} for row in frame.to_dict("records")]
