"""What was found of effects: tables with the words that belong to them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import isfinite
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat.model.support import SMALL_CELL
from retreat.study.effects.equivalence import Equivalence
from retreat.study.effects.sharing import told

if TYPE_CHECKING:
    import pandas as pd

IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Effects:
    """Effects by estimates.

    Parameters
    ----------
    columns : DataFrame
        Each coefficient; see :func:`~retreat.study.effects.ratios.column_table`.
    ratios : DataFrame
        Comparisons of two values; see :func:`~retreat.study.effects.ratios.comparison_table`.
    joint : DataFrame
        Joint tests; see :func:`~retreat.study.effects.joint.joint_table`.
    curves : DataFrame
        Curves; see :func:`~retreat.study.effects.ratios.curve_table`.
    averages : DataFrame
        Average effects; see :func:`~retreat.study.effects.marginal.average_table`.
    confounding : DataFrame
        E-values; see :func:`~retreat.study.effects.e_values.confounding_table`.
    facts : mapping
        How they were made: definition, method, scale (odds or rate ratio), level, numbers of cases and patients.
    notes, cautions : tuple of str
        What a reader must know; lines that every output shows first.
    fewest : mapping of str to ndarray of int, each of shape (rows,)
        Fewest cases behind each row of each table. It stays here: no output holds it.
    """

    columns: pd.DataFrame
    ratios: pd.DataFrame
    joint: pd.DataFrame
    curves: pd.DataFrame
    averages: pd.DataFrame
    confounding: pd.DataFrame
    facts: Mapping[str, Any]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    fewest: Mapping[str, IntArray] = field(repr=False)

    def to_frames(self) -> dict[str, pd.DataFrame]:
        """The tables by name."""
        names = ("columns", "ratios", "joint", "curves", "averages", "confounding")
        return {name: getattr(self, name).copy() for name in names}

    def shared(self, *, threshold: int = SMALL_CELL) -> Effects:
        """What may leave the clinic: without the rows from which a small count could be worked out.

        A row stays where each level that it compares or holds, of those that matter to it, has at least `threshold`
        cases, cases that ended so, and cases that did not. Of several levels beside the reference never one alone goes:
        the one with second fewest goes too, as totals would give the first back. A note names what is left out.

        Parameters
        ----------
        threshold : int, 1 to 1000
            Counts below it are small.

        Returns
        -------
        Effects
            A table may be empty.

        Raises
        ------
        FitError
            If the threshold is out of range.
        """
        tables, fewest, notes = told(self.to_frames(), self.fewest, threshold)
        facts = {**self.facts, "threshold": threshold}
        words: dict[str, Any] = {"facts": facts, "notes": (*self.notes, *notes), "fewest": fewest}
        return replace(self, **{**words, **tables})

    def to_json(self) -> dict[str, Any]:
        """Plain lists and numbers; null for degrees of freedom without end and for what is not known."""
        return _plain(self.facts, self.notes, self.cautions, self.to_frames())


@dataclass(frozen=True)
class DrawnEffects:
    """Effects by draws of a posterior.

    Parameters
    ----------
    ratios, curves, averages : DataFrame
        See :mod:`retreat.study.effects.drawn`.
    region : Equivalence
        Effects too small to matter.
    facts, notes, cautions, fewest
        As for :class:`Effects`.
    """

    ratios: pd.DataFrame
    curves: pd.DataFrame
    averages: pd.DataFrame
    region: Equivalence
    facts: Mapping[str, Any]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    fewest: Mapping[str, IntArray] = field(repr=False)

    def to_frames(self) -> dict[str, pd.DataFrame]:
        """The tables by name."""
        return {name: getattr(self, name).copy() for name in ("ratios", "curves", "averages")}

    def shared(self, *, threshold: int = SMALL_CELL) -> DrawnEffects:
        """What may leave the clinic; see :meth:`Effects.shared`."""
        tables, fewest, notes = told(self.to_frames(), self.fewest, threshold)
        facts = {**self.facts, "threshold": threshold}
        words: dict[str, Any] = {"facts": facts, "notes": (*self.notes, *notes), "fewest": fewest}
        return replace(self, **{**words, **tables})

    def to_json(self) -> dict[str, Any]:
        """Plain lists and numbers."""
        facts = {**self.facts, "region": vars(self.region)}
        return _plain(facts, self.notes, self.cautions, self.to_frames())


def _plain(
    facts: Mapping[str, Any],
    notes: tuple[str, ...],
    cautions: tuple[str, ...],
    frames: Mapping[str, pd.DataFrame],
) -> dict[str, Any]:
    tables = {
        name: [{str(key): _value(x) for key, x in row.items()} for row in frame.to_dict("records")]
        for name, frame in frames.items()
    }
    return {**facts, "cautions": list(cautions), "notes": list(notes), "tables": tables}


def _value(x: Any) -> Any:
    plain = x.item() if isinstance(x, np.generic) else x
    return None if isinstance(plain, float) and not isfinite(plain) else plain
