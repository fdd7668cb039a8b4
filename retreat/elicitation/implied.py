"""What draws of parameters imply for described eyes: shares ended by a session, and the number of sessions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.coding import Coding
from retreat.definitions import LAST_SESSION, Definition
from retreat.elicitation.answers import questions_for
from retreat.elicitation.eyes import Eye, coded
from retreat.model import kernel
from retreat.model.kernel import Parameters

FloatArray = NDArray[np.float64]

# sessions to which the mean number is restricted: published courses hardly go on beyond (values L01-L09)
HORIZON = 8
SESSIONS = "sessions"


@dataclass(frozen=True)
class Implied:
    """Shares and numbers of sessions of described eyes over draws.

    Parameters
    ----------
    eyes : tuple of str
        The eyes in words.
    quantities : tuple of str
        ``"relieved_1"``: share relieved by session 1; ``"sessions"``: mean number of sessions, a course that
        goes on past session 8 counted as 8.
    values : ndarray of float, shape (draws, eyes, quantities)
        One draw is one plausible value.
    """

    eyes: tuple[str, ...]
    quantities: tuple[str, ...]
    values: FloatArray

    def mean(self) -> FloatArray:
        """Mean over draws, shape (eyes, quantities)."""
        return np.asarray(self.values.mean(axis=0))

    def range(self, level: float) -> tuple[FloatArray, FloatArray]:
        """Equal-tailed range over draws, two arrays of shape (eyes, quantities)."""
        low, high = np.quantile(self.values, [(1 - level) / 2, (1 + level) / 2], axis=0)
        return low, high

    def on_a_line(self) -> FloatArray:
        """Log odds of the shares, and of the number of sessions between 1 and the horizon, shape of `values`."""
        share = self.values.copy()
        if SESSIONS in self.quantities:
            q = self.quantities.index(SESSIONS)
            share[..., q] = (share[..., q] - 1.0) / (HORIZON - 1.0)
        share = np.clip(share, 1e-12, 1.0 - 1e-12)
        return np.asarray(np.log(share) - np.log1p(-share))

    def to_json(self, level: float) -> list[dict[str, Any]]:
        """Plain numbers, one entry an eye."""
        mean, (low, high) = self.mean(), self.range(level)
        return [
            {
                "eye": eye,
                **{
                    name: {"mean": float(mean[i, q]), "low": float(low[i, q]), "high": float(high[i, q])}
                    for q, name in enumerate(self.quantities)
                },
            }
            for i, eye in enumerate(self.eyes)
        ]


def implied(eyes: Sequence[Eye], definition: Definition, coding: Coding, parameters: Parameters) -> Implied:
    """What parameters imply for eyes, averaged over patients within each draw.

    Parameters
    ----------
    eyes : sequence of Eye
        Described with every feature of the definition.
    definition, coding
        What the parameters belong to.
    parameters : Parameters
        Draws, from priors or a posterior.
    """
    X = coded(eyes, definition, coding)
    horizon = LAST_SESSION[definition.outcome] or HORIZON
    pmf = kernel.pmf(
        parameters, X, np.zeros(len(X), dtype=np.intp), horizon=horizon, link=definition.link
    )  # (draws, eyes, ends, sessions)
    incidence = np.cumsum(pmf, axis=-1)
    names, columns = [], []
    for question in questions_for(definition):
        names.append(question.column)
        columns.append(incidence[:, :, question.end, question.session - 1])
    if horizon > 1:
        staying = 1.0 - incidence.sum(axis=2)  # (draws, eyes, sessions)
        names.append(SESSIONS)
        columns.append(1.0 + staying[..., :-1].sum(axis=-1))
    return Implied(tuple(eye.name for eye in eyes), tuple(names), np.stack(columns, axis=-1))
