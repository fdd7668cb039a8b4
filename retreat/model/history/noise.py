"""Standard numbers behind simulated courses, the same for every case."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Noise:
    """Standard numbers behind the simulated courses: the same for every case, so that a table gives what one case does.

    Each but `step` is a Latin hypercube over the paths of a draw (McKay, Beckman and Conover 1979, from memory), where
    there is more than one.
    """

    luck: FloatArray  # (draws, paths, sessions), standard normal
    felt: FloatArray  # (draws, paths, sessions), standard normal
    pieces: FloatArray  # (draws, paths, sessions), uniform
    patient: FloatArray  # (draws, paths), standard normal
    before: FloatArray  # (draws, paths), standard normal
    # (draws, paths, sessions), standard normal: what a session changes in what is felt; without, `felt` stands for both
    step: FloatArray | None = None

    def paths(self, chosen: slice) -> Noise:
        """Some of the paths of each draw."""
        return Noise(
            self.luck[:, chosen],
            self.felt[:, chosen],
            self.pieces[:, chosen],
            self.patient[:, chosen],
            self.before[:, chosen],
            None if self.step is None else self.step[:, chosen],
        )


@lru_cache(maxsize=2)
def noise_of(draws: int, paths: int, sessions: int, seed: int) -> Noise:
    """Numbers for so many draws, paths and sessions; those of a session are the same however many follow."""
    uniform = (np.arange(paths) + 0.5) / paths
    normal = np.array([NormalDist().inv_cdf(u) for u in uniform])
    normal /= max(float(np.sqrt((normal**2).mean())), 1e-12) if paths > 1 else 1.0

    def once(stream: int, session: int, values: FloatArray) -> FloatArray:
        rng = np.random.default_rng([seed % 2**32, 6, stream, session])
        if paths == 1:  # a single path a draw: plain random numbers
            return rng.random((draws, 1)) if values is uniform else rng.standard_normal((draws, 1))
        out = np.tile(values, (draws, 1))
        return np.asarray(rng.permuted(out, axis=-1, out=out))

    def each(stream: int, values: FloatArray) -> FloatArray:
        return np.stack([once(stream, k, values) for k in range(sessions)], axis=-1)

    return Noise(
        luck=each(0, normal),
        felt=each(1, normal),
        pieces=each(2, uniform),
        patient=once(3, 0, normal),
        before=once(4, 0, normal),
    )


@lru_cache(maxsize=2)
def noise_apart(draws: int, paths: int, sessions: int, seed: int) -> Noise:
    """The same with numbers of their own for what each session changes in what is felt, apart from passing errors."""
    steps = [
        np.random.default_rng([seed % 2**32, 7, k]).standard_normal((draws, paths)) for k in range(sessions)
    ]
    return replace(noise_of(draws, paths, sessions, seed), step=np.stack(steps, axis=-1))
