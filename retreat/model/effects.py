"""Effects of the coded columns as odds (or rate) ratios with their ranges over the draws."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from retreat.coding import Coding
from retreat.model.kernel import Parameters

if TYPE_CHECKING:
    import pandas as pd


def effects(parameters: Parameters, coding: Coding, ends: tuple[str, ...], level: float) -> pd.DataFrame:
    """Table of effects; see :meth:`retreat.model.Model.effects`."""
    import pandas as pd  # heavy: only whoever asks for a table pays for it

    if not 0.0 < level < 1.0:
        raise ValueError(f"level {level!r} must lie between 0 and 1, for example 0.9")
    coefficients = parameters.coefficients  # (draws, ends, columns)
    low, high = np.quantile(coefficients, ((1 - level) / 2, (1 + level) / 2), axis=0)
    columns = len(coding.names)
    return pd.DataFrame(
        {
            "end": np.repeat(np.array(ends, dtype=object), columns),
            "column": np.array(list(coding.names) * len(ends), dtype=object),
            "estimate": coefficients.mean(axis=0).ravel(),
            "standard_error": coefficients.std(axis=0, ddof=1).ravel(),
            "ratio": np.exp(coefficients.mean(axis=0)).ravel(),
            "low": np.exp(low).ravel(),
            "high": np.exp(high).ravel(),
        }
    ).astype({"end": "str", "column": "str"})
