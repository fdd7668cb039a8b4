"""What a model with a history must offer, so that a forecast can take in what the sessions showed."""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from retreat.model.history.records import Records

FloatArray = NDArray[np.float64]


class History(Protocol):
    """A part of a model that forecasts an eye from the records of its sessions.

    Features are coded as for the rest of the model, and there are as many draws as the model has.
    """

    @property
    def kind(self) -> str:
        """Which part: a key of :data:`retreat.model.history.saved.KINDS`."""
        ...

    @property
    def n_draws(self) -> int:
        """How many draws."""
        ...

    @property
    def values(self) -> FloatArray:
        """Draws of all its parameters side by side, shape (draws, values)."""
        ...

    def thinned(self, chosen: NDArray[np.intp]) -> History:
        """The part with some of its draws."""
        ...

    def pmf_after(
        self, X: FloatArray, records: Records, *, horizon: int, n_ends: int, alike: int = 1
    ) -> tuple[FloatArray, FloatArray]:
        """Probability of ending in each way at each session after those done, together with what was noted.

        Parameters
        ----------
        X : ndarray of float, shape (cases, columns)
            Coded cases, none missing.
        records : Records
            What was noted of the cases.
        horizon : int
            Largest session.
        n_ends : int
            How many ends.
        alike : int
            How many rows stand for one case; they share whatever is simulated.

        Returns
        -------
        ndarray of float, shape (draws, cases, ends, horizon)
            Not yet divided by the second array.
        ndarray of float, shape (draws, cases)
            How well each draw explains what was noted, up to a factor that is the same for all draws and for all
            completions of a case: a density, or ones where the part is silent on it.
        """
        ...

    def to_json(self) -> dict[str, Any]:
        """Everything but the values; `kind` among it."""
        ...
