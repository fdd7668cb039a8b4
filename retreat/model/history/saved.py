"""A history read back from a saved model."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.model.history.landmark import Landmark
from retreat.model.history.part import History
from retreat.model.history.progress import Progress

# how each kind is made of what was saved
KINDS: dict[str, Callable[[Mapping[str, Any], NDArray[np.float64]], History]] = {
    "landmark": Landmark.from_json,
    "progress": Progress.from_json,
}


def history_of(data: Mapping[str, Any], values: NDArray[np.float64]) -> History:
    """History of its description and its values.

    Raises
    ------
    ValueError
        If there is no such kind, or the values do not fit it.
    """
    kind = data.get("kind")
    if kind not in KINDS:
        raise ValueError(f"history of kind {kind!r}")
    return KINDS[str(kind)](data, values)
