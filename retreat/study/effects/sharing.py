"""Tables of effects without the rows that rest on too few cases."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import floor, isfinite, log10
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.fitting.arguments import is_whole

if TYPE_CHECKING:
    import pandas as pd

IntArray = NDArray[np.int64]

_MOST = 1000
# columns from which the degrees of freedom of the whole table, and so its patients, follow exactly
_SOLVED_FROM = ("df_error", "missing")
_THREE_DECIMALS = ("estimate", "difference", "average_value", "average_against", "p")
_AS_THEY_ARE = ("at",)
_FIGURES = 3


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


def unsolvable(frames: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Tables of effects from which no number of patients can be worked out.

    Barnard and Rubin's degrees of freedom with the fraction missing give, solved backwards, those of the complete table
    and thereby a number of patients; a limit and a standard error, or a statistic and its p, give them too where all
    have all their digits. The columns are left out, and numbers rounded: estimates, averages and p to three decimals,
    the rest to three significant figures.

    Parameters
    ----------
    frames : mapping of str to DataFrame
        Tables of effects by name.

    Returns
    -------
    dict of str to DataFrame

    Examples
    --------
    >>> import pandas as pd
    >>> row = {"estimate": -0.18126, "standard_error": 0.24163, "df": 649.9, "p": 0.45319, "missing": 0.0056}
    >>> unsolvable({"ratios": pd.DataFrame([row])})["ratios"].to_dict("records")
    [{'estimate': -0.181, 'standard_error': 0.242, 'p': 0.453}]
    """
    return {name: _rounded(frame, joint=name == "joint") for name, frame in frames.items()}


def _rounded(frame: pd.DataFrame, *, joint: bool) -> pd.DataFrame:
    # df of a joint test is its number of columns
    gone = _SOLVED_FROM if joint else (*_SOLVED_FROM, "df")
    made = frame.drop(columns=[name for name in gone if name in frame])
    for name in made.select_dtypes("float"):
        if name in _THREE_DECIMALS:
            made[name] = made[name].round(3)
        elif name not in _AS_THEY_ARE:
            made[name] = made[name].map(_figures)
    return made


def _figures(value: float) -> float:
    if not isfinite(value) or value == 0.0:
        return value
    return round(value, _FIGURES - 1 - floor(log10(abs(value))))


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
