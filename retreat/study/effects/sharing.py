"""Tables of effects without the rows that rest on too few cases."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.fitting.arguments import is_whole

if TYPE_CHECKING:
    import pandas as pd

IntArray = NDArray[np.int64]

_MOST = 1000


def told(
    frames: Mapping[str, pd.DataFrame], fewest: Mapping[str, IntArray], threshold: int
) -> tuple[dict[str, pd.DataFrame], dict[str, IntArray], tuple[str, ...]]:
    """Rows that may leave the clinic, what stands behind them, and a note that names those left out.

    Parameters
    ----------
    frames : mapping of str to DataFrame
        Tables of effects by name.
    fewest : mapping of str to ndarray of int, each of shape (rows,)
        Fewest cases behind each row; see :mod:`retreat.study.effects.few`.
    threshold : int, 1 to 1000
        Rows with fewer are left out.

    Raises
    ------
    FitError
        If the threshold is out of range.
    """
    if not is_whole(threshold) or not 1 <= threshold <= _MOST:
        raise FitError(Fault("threshold", f"{threshold!r}", f"a whole number 1 to {_MOST}"))
    kept = {name: fewest[name] >= threshold for name in frames}
    tables = {name: frame[kept[name]].reset_index(drop=True) for name, frame in frames.items()}
    gone = dict.fromkeys(text for name, frame in frames.items() for text in _named(name, frame[~kept[name]]))
    note = (f"left out, too few cases at a level to tell: {', '.join(gone)}",) if gone else ()
    return tables, {name: fewest[name][kept[name]] for name in frames}, note


def _named(table: str, frame: pd.DataFrame) -> Iterator[str]:
    if table in ("columns", "confounding"):
        return  # what they tell is told of ratios and averages
    for row in frame.to_dict("records"):
        end = row["end"] or "sessions"
        if table == "joint":
            yield f"joint test of {row['term']} ({end})"
        elif table == "curves":
            yield f"curve of {row['curve']} ({end})"
        else:
            held = f", {row['held']}" if row["held"] else ""
            yield f"{row['feature']} {row['value']} against {row['against']} ({end}{held})"
