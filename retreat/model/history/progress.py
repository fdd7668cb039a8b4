"""Parameters of the state of an eye under treatment: what a session clears, the bother left, the decision to end.

The material removed so far, lambda, grows at session k by r_k, with

    log r_k = level + case + session + energy + pulses + operator + eye + luck,
    share cleared = 1 - exp(-lambda),

so that a session clears a share of what remains, 1 - exp(-r). The operator's grade errs by a variance with a part as
of a beta variable and a part that is the same at any share; none and all are read as no more and no less than that.

The odds of bother after a session follow from bother before the course and from the shadow: what lambda leaves of the
opacity, which falls faster in some kinds than in others, plus pieces. Those are seen after the session, or drift back
in proportion to the share that was cleared before it, and before the last; beside some kinds and sizes they show more
than beside others. What else an eye feels is a level that steps from session to session, further where the session
removed more (a local level on the logit scale; Durbin and Koopman 2012, from memory); a rating tells it with an error
in points. The decision to end or go on follows from lambda, share, what is felt as far as the ratings tell, fragments
and the share of the rest that the session cleared. Lambda enters as 4 (1 - exp(-lambda / 4)), since a grade of all
cleared does not say how large it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.model.history import particles
from retreat.model.history.noise import Noise, noise_apart, noise_of
from retreat.model.history.records import Records
from retreat.model.history.state import LEAST_ENERGY_MJ, LEAST_PULSES, MOST_REMOVED, STEPS

FloatArray = NDArray[np.float64]

KIND = "progress"
# courses simulated for each draw and completion of a case of which a feature is missing
_LEAST_PATHS = 2
# sessions after which twice as many courses are simulated: resampling at each leaves fewer of them apart
_LATE = 3
_CASE = -1  # stands for the number of coded columns
_ENDS = 2
# name of each parameter and its shape after that of the draws
SHAPES: dict[str, tuple[int, ...]] = {
    "clear_level": (),
    "clear_case": (_CASE,),
    "clear_session": (STEPS,),
    "clear_energy": (),
    "clear_pulses": (),
    "clear_operator": (),
    "clear_eye_sd": (),
    "clear_luck_sd": (),
    "grade_sd": (),
    "grade_even": (),
    "bother_level": (),
    "bother_case": (_CASE,),
    "bother_before": (),
    "bother_removed": (),
    "bother_share": (),
    "bother_slope": (_CASE,),
    "bother_session": (STEPS,),
    "bother_pieces": (_CASE,),
    "bother_few": (),
    "bother_many": (),
    "bother_back": (),
    "bother_later": (),
    "bother_eye_sd": (),
    "bother_drift_sd": (),
    "bother_fall_sd": (),
    "bother_noise_sd": (),
    "before_mean": (),
    "before_sd": (),
    "fragments": (4, 3),
    "end_level": (_ENDS,),
    "end_case": (_ENDS, _CASE),
    "end_session": (_ENDS, STEPS),
    "end_removed": (_ENDS,),
    "end_share": (_ENDS,),
    "end_bother": (_ENDS,),
    "end_before": (_ENDS,),
    "end_worth": (_ENDS,),
    "end_few": (_ENDS,),
    "end_many": (_ENDS,),
    "end_operator": (_ENDS,),
    "end_patient": (_ENDS,),
}


@dataclass(frozen=True)
class Progress:
    """Draws of the state model, packed side by side.

    Parameters
    ----------
    values : ndarray of float, shape (draws, values)
        The parameters of :data:`SHAPES` in their order, each flattened.
    n_columns : int
        Coded columns of a case.
    centre : tuple of float
        What is taken from the coded columns before they enter: their means in the fitted cases.
    energy_centre, pulses_centre : float
        Mean log energy and mean log pulses of the fitted sessions.
    seed : int
        Of the random numbers of the simulated courses.
    """

    values: FloatArray
    n_columns: int
    centre: tuple[float, ...]
    energy_centre: float
    pulses_centre: float
    seed: int

    def __post_init__(self) -> None:
        width = sum(_size(shape, self.n_columns) for shape in SHAPES.values())
        if self.values.ndim != 2 or self.values.shape[1] != width or len(self.centre) != self.n_columns:
            raise ValueError(f"{self.values.shape} values, {width} a draw expected")
        if not np.isfinite(self.values).all():
            raise ValueError("a parameter is not finite")

    @property
    def kind(self) -> str:
        """Which part this is."""
        return KIND

    @property
    def n_draws(self) -> int:
        """How many draws."""
        return len(self.values)

    @cached_property
    def parameters(self) -> Mapping[str, FloatArray]:
        """Parameters by name, each of shape (draws, ...)."""
        out, start = {}, 0
        for name, shape in SHAPES.items():
            size = _size(shape, self.n_columns)
            tail = tuple(self.n_columns if s == _CASE else s for s in shape)
            out[name] = self.values[:, start : start + size].reshape(len(self.values), *tail)
            start += size
        return out

    def thinned(self, chosen: NDArray[np.intp]) -> Progress:
        """The part with some of its draws."""
        return replace(self, values=self.values[chosen])

    def pmf_after(
        self, X: FloatArray, records: Records, *, horizon: int, n_ends: int, alike: int = 1
    ) -> tuple[FloatArray, FloatArray]:
        """See :class:`~retreat.model.history.part.History`."""
        if alike > 1:
            return self._shared(X, records, horizon)
        late = records.done >= _LATE
        pmf = np.zeros((self.n_draws, len(X), n_ends, horizon))
        log_left = np.zeros((self.n_draws, len(X)))
        for rows, paths in ((~late, particles.PATHS), (late, 2 * particles.PATHS)):
            if rows.any():
                found = self.courses(X[rows], records.rows(rows), horizon=horizon, paths=paths)
                pmf[:, rows], log_left[:, rows] = found.pmf, found.log_left
        left = np.exp(log_left - log_left.max(axis=0))
        pmf *= left[:, :, None, None]
        return pmf, left

    def _shared(self, X: FloatArray, records: Records, horizon: int) -> tuple[FloatArray, FloatArray]:
        """Rows that stand for one case: each has its own paths of one hypercube, which together integrate both."""
        noise = self.noise(horizon, len(X) * _LEAST_PATHS)
        found = [
            self.run(
                X[[i]],
                records.rows(np.array([i])),
                horizon,
                noise.paths(slice(i * _LEAST_PATHS, (i + 1) * _LEAST_PATHS)),
                None,
            )
            for i in range(len(X))
        ]
        log_left = np.concatenate([one.log_left for one in found], axis=1)
        left = np.exp(log_left - log_left.max())
        return np.concatenate([one.pmf for one in found], axis=1) * left[:, :, None, None], left

    def courses(
        self, X: FloatArray, records: Records, *, horizon: int, paths: int = particles.PATHS
    ) -> particles.Courses:
        """Courses of some cases to come, simulated from where their records leave them.

        Parameters
        ----------
        X : ndarray of float, shape (cases, columns)
            Coded cases, none missing.
        records : Records
            What was noted.
        horizon : int
            Largest session.
        paths : int
            Courses simulated for each draw.
        """
        return self.run(X, records, horizon, self.noise(horizon, paths), None)

    def bother(
        self, X: FloatArray, records: Records, *, horizon: int
    ) -> tuple[particles.Courses, particles.Bother]:
        """The same courses with the bother along them.

        Parameters
        ----------
        X, records, horizon
            As for :meth:`courses`.
        """
        noise = self.noise_apart(horizon)
        found = particles.Bother.blank(len(X), horizon, noise)
        return self.run(X, records, horizon, noise, found), found

    def noise(self, horizon: int, paths: int = particles.PATHS) -> Noise:
        """Numbers behind so many courses of each draw."""
        return noise_of(self.n_draws, paths, max(horizon, 1), self.seed)

    def noise_apart(self, horizon: int) -> Noise:
        """The same, what a session changes apart from passing errors of the ratings."""
        return noise_apart(self.n_draws, particles.PATHS, max(horizon, 1), self.seed)

    def run(
        self, X: FloatArray, records: Records, horizon: int, noise: Noise, bother: particles.Bother | None
    ) -> particles.Courses:
        """Courses by the numbers given; `bother`, where given, is filled."""
        return particles.courses(
            self.parameters,
            X - np.asarray(self.centre),
            records,
            energy=_centred_log(records.energy_mj, LEAST_ENERGY_MJ, self.energy_centre),
            pulses=_centred_log(records.pulses, LEAST_PULSES, self.pulses_centre),
            horizon=horizon,
            noise=noise,
            bother=bother,
        )

    def to_json(self) -> dict[str, Any]:
        """Everything but the values."""
        return {
            "kind": KIND,
            "most_removed": MOST_REMOVED,
            "parameters": list(SHAPES),
            "n_columns": self.n_columns,
            "centre": list(self.centre),
            "energy_centre": self.energy_centre,
            "pulses_centre": self.pulses_centre,
            "seed": self.seed,
        }

    @staticmethod
    def from_json(data: Mapping[str, Any], values: FloatArray) -> Progress:
        """The part from what was saved.

        Raises
        ------
        ValueError
            If it counts what is removed in another way than this version or has other parameters, or the values do not
            fit.
        """
        if data.get("most_removed") != MOST_REMOVED or data.get("parameters") != list(SHAPES):
            raise ValueError("a state model of another version")
        return Progress(
            values,
            int(data["n_columns"]),
            tuple(float(x) for x in data["centre"]),
            float(data["energy_centre"]),
            float(data["pulses_centre"]),
            int(data["seed"]),
        )


def pack(parameters: Mapping[str, FloatArray]) -> FloatArray:
    """Parameters by name, each of shape (draws, ...), side by side."""
    return np.concatenate(
        [np.reshape(parameters[name], (len(parameters[name]), -1)) for name in SHAPES], axis=1
    )


def _size(shape: tuple[int, ...], n_columns: int) -> int:
    return int(np.prod([n_columns if s == _CASE else s for s in shape], dtype=int))


def _centred_log(values: FloatArray, least: float, centre: float) -> FloatArray:
    return np.asarray(np.log(np.maximum(values, least)) - centre)  # what is not noted stays NaN
