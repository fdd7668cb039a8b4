"""Tables of odds ratios: each column of the model, comparisons of two values, curves, and joint tests of terms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat.study.effects.comparisons import (
    Comparison,
    beyond,
    encoded_differences,
    held_where_it_matters,
    held_words,
)
from retreat.study.effects.curves import Curve
from retreat.study.effects.estimates import Estimates
from retreat.study.effects.pooling import Pooled

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]


def column_table(estimates: Estimates, *, level: float) -> pd.DataFrame:
    """Every coefficient: one unit of a coded column, the others held.

    Returns
    -------
    DataFrame
        Columns end, column, and those of :func:`ratio_columns`.
    """
    import pandas as pd  # heavy: only for tables

    cases = estimates.analysed
    found = estimates.linear(np.eye(len(cases.coding.names)))
    frames = [
        pd.DataFrame({"end": cases.definition.ends[j], "column": list(cases.coding.names)}).assign(
            **ratio_columns(found, j, level)
        )
        for j in cases.known_ends
    ]
    return pd.concat(frames, ignore_index=True)


def comparison_table(
    estimates: Estimates, comparisons: Sequence[Comparison], *, level: float
) -> pd.DataFrame:
    """Ratios of comparisons.

    Returns
    -------
    DataFrame
        Columns end, feature, value, against, held, those of :func:`ratio_columns`, and beyond: whether a value is
        outside what nearly all cases have.
    """
    import pandas as pd  # heavy: only for tables

    cases = estimates.analysed
    found = estimates.linear(encoded_differences(cases, comparisons))
    outside = [beyond(cases, one) for one in comparisons]
    told = words_of([replace(one, held=held_where_it_matters(cases, one)) for one in comparisons])
    frames = [
        pd.DataFrame({"end": cases.definition.ends[j], **told}).assign(
            **ratio_columns(found, j, level), beyond=outside
        )
        for j in cases.known_ends
    ]
    return pd.concat(frames, ignore_index=True)


def curve_table(estimates: Estimates, curves: Sequence[Curve], *, level: float) -> pd.DataFrame:
    """Ratios along curves; intervals hold at each point, not for the whole curve.

    Returns
    -------
    DataFrame
        Columns end, curve, over, at, ratio, low, high.
    """
    import pandas as pd  # heavy: only for tables

    cases = estimates.analysed
    frames = []
    for curve in curves:
        found = estimates.linear(encoded_differences(cases, curve.comparisons))
        for j in cases.known_ends:
            told = ratio_columns(found, j, level)
            frames.append(
                pd.DataFrame(
                    {
                        "end": cases.definition.ends[j],
                        "curve": curve.label,
                        "over": curve.over,
                        "at": list(curve.at),
                        **{name: told[name] for name in ("ratio", "low", "high")},
                    }
                )
            )
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=list(CURVE_COLUMNS))


CURVE_COLUMNS = ("end", "curve", "over", "at", "ratio", "low", "high")


def ratio_columns(found: Pooled, end: int, level: float) -> dict[str, Any]:
    """Columns of one end: estimate and standard_error on the log scale, ratio, low, high, df, p, missing."""
    low, high = found.interval(level)
    with np.errstate(
        invalid="ignore", divide="ignore"
    ):  # where nothing is compared the ratio is 1 without error
        p = found.p_value()
    return {
        "estimate": found.estimate[end],
        "standard_error": found.error[end],
        "ratio": np.exp(found.estimate[end]),
        "low": np.exp(low[end]),
        "high": np.exp(high[end]),
        "df": found.df[end],
        "p": p[end],
        "missing": found.missing[end],
    }


def words_of(comparisons: Sequence[Comparison]) -> dict[str, list[str]]:
    """Columns that say what was compared."""
    return {
        "feature": [one.feature for one in comparisons],
        "value": [_text(one.value) for one in comparisons],
        "against": [_text(one.against) for one in comparisons],
        "held": [held_words(one.held) for one in comparisons],
    }


def _text(value: str | float) -> str:
    return value if isinstance(value, str) else f"{value:.4g}"
