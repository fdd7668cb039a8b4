"""What published averages are to inform, as independent standard normal numbers and back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.coding import Coding
from retreat.definitions import Definition

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Levels:
    """Draws of the hazards of an average practice, of how far practices differ, and of what reports hide.

    Parameters
    ----------
    coefficients : ndarray of float, shape (draws, ends, columns)
        Effects of the coded columns.
    session_effects : ndarray of float, shape (draws, ends, sessions)
        Effects of the sessions in an average practice.
    between_sd : ndarray of float, shape (draws, ends)
        Standard deviation over practices of the level of each end, on the link scale.
    stopping : ndarray of float, shape (draws, practices)
        Level of stopping of each practice with a report, from that of an average one, in the order of the studies.
    lost : ndarray of float, shape (draws,)
        Share of the courses going on that is lost after each session and not told apart.
    """

    coefficients: FloatArray
    session_effects: FloatArray
    between_sd: FloatArray
    stopping: FloatArray
    lost: FloatArray

    def chosen(self, rows: NDArray[np.intp] | slice) -> Levels:
        """Some of the draws."""
        return Levels(
            self.coefficients[rows],
            self.session_effects[rows],
            self.between_sd[rows],
            self.stopping[rows],
            self.lost[rows],
        )


@dataclass(frozen=True)
class Unknowns:
    """The priors of a definition with studies, written as one standard normal number an unknown.

    Parameters
    ----------
    definition : Definition
        With studies and smooth session effects.
    coding : Coding
        Columns of the coefficients.
    n_sessions : int
        Sessions with an effect of their own; the last one is carried on.
    """

    definition: Definition
    coding: Coding
    n_sessions: int

    @property
    def dimension(self) -> int:
        """How many numbers."""
        return sum(self._sizes)

    @property
    def practices(self) -> tuple[str, ...]:
        """Practices with a report, in the order of the studies."""
        return tuple(dict.fromkeys(study.practice for study in self.definition.studies))

    @property
    def _sizes(self) -> tuple[int, ...]:
        """Coefficients, first sessions, spreads of steps, steps, between practices, their stopping, lost."""
        ends, columns = len(self.definition.ends), len(self.coding.names)
        return ends * columns, ends, ends, ends * (self.n_sessions - 1), ends, len(self.practices), 1

    def levels(self, z: FloatArray) -> Levels:
        """What these numbers stand for.

        Parameters
        ----------
        z : ndarray of float, shape (draws, dimension)
            Independent and standard normal under the prior.
        """
        definition = self.definition
        between, step = definition.between_studies, definition.sessions.step
        if between is None or step is None:  # refused when the definition was read
            raise ValueError(f"{definition.name} has no studies")
        ends, columns, later = len(definition.ends), len(self.coding.names), self.n_sessions - 1
        parts = np.split(z, np.cumsum(self._sizes)[:-1], axis=1)
        mean, sd = definition.coefficient_priors(self.coding)
        centre, spread = definition.first_session_priors()
        first = centre + spread * parts[1]  # (draws, ends)
        steps = half_normal(parts[2], step.sd)[:, :, None] * parts[3].reshape(-1, ends, later)
        walk = np.concatenate([np.zeros((len(z), ends, 1)), np.cumsum(steps, axis=-1)], axis=-1)
        scales = np.array([between.relieved.sd, between.stopped.sd])
        between_sd = half_normal(parts[4], scales)  # (draws, ends)
        return Levels(
            coefficients=mean + sd * parts[0].reshape(-1, ends, columns),
            session_effects=first[:, :, None] + walk,
            between_sd=between_sd,
            stopping=between_sd[:, 1:] * parts[5],
            lost=1.0 / (1.0 + np.exp(-(between.lost.mean + between.lost.sd * parts[6][:, 0]))),
        )


def half_normal(z: FloatArray, scale: float | FloatArray) -> FloatArray:
    """Half-normal numbers of this scale from standard normal ones, by their ranks.

    Examples
    --------
    >>> half_normal(np.array([-8.0, 0.0, 2.0]), 1.0).round(3).tolist()
    [0.0, 0.674, 2.278]
    """
    from scipy.special import ndtr, ndtri  # heavy: only whoever fits pays for it

    # the share above, halved, is exact far out where the share below would round to 1
    return np.asarray(-scale * ndtri(ndtr(-z) / 2.0))
