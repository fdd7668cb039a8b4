"""What was found of effects: tables with the words that belong to them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING, Any

import numpy as np

from retreat.study.effects.equivalence import Equivalence

if TYPE_CHECKING:
    import pandas as pd


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
        E-values; see :func:`~retreat.study.effects.describing.confounding_table`.
    facts : mapping
        How they were made: definition, method, scale (odds or rate ratio), level, numbers of cases and patients.
    notes, cautions : tuple of str
        What a reader must know; lines that every output shows first.
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

    def to_frames(self) -> dict[str, pd.DataFrame]:
        """The tables by name."""
        names = ("columns", "ratios", "joint", "curves", "averages", "confounding")
        return {name: getattr(self, name).copy() for name in names}

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
    facts, notes, cautions
        As for :class:`Effects`.
    """

    ratios: pd.DataFrame
    curves: pd.DataFrame
    averages: pd.DataFrame
    region: Equivalence
    facts: Mapping[str, Any]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]

    def to_frames(self) -> dict[str, pd.DataFrame]:
        """The tables by name."""
        return {name: getattr(self, name).copy() for name in ("ratios", "curves", "averages")}

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
