"""Hazards of the sessions after a landmark, given what the last record noted by then showed.

After k sessions the next ones are forecast anew by a landmark super model (van Houwelingen 2007; van Houwelingen
and Putter 2012, from memory): for the sth session after the landmark and end j,

    eta_j(s) = level_j + steps_j(s) + landmark_j log k + x'b_j + z'(g_j + [s > 1] d_j) + m'u_j,

where z is what was noted last (share cleared, fragments, bother, and bother before the course), m tells what was
never noted, and what was seen may tell less, or more, of later sessions than of the next one (d).

Values stand as they were noted last, whatever their age: a share noted after the first session counts alike after the
second and after the fourth. A feature that is not known is averaged over eyes that went on: each completion counts by
the chance, under the model of the cases, that such an eye is still in treatment. What the sessions showed is not held
against a completion, for this model does not say how likely that was.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.hazard import Link, hazards_and_going_on
from retreat.model.history.records import FRAGMENTS, Records
from retreat.model.kernel import Parameters, pmf_after

FloatArray = NDArray[np.float64]

KIND = "landmark"
# what is seen at a landmark: the share cleared in tenths, so that it has the scale of bother; fragments as 0 or 1
SEEN = ("cleared", "few", "many", "bother", "before")
# what may never have been noted
UNSEEN = ("cleared", "fragments", "bother", "before")
_TENTHS = 10.0
# values of one block of the working arrays, about 1 MB each
_BLOCK_VALUES = 131_072
# arrays of the model of the cases that tell who gets so far
_OF_CASES = ("coefficients", "session_effects", "operator_effect", "patient_loading", "never")


@dataclass(frozen=True)
class Landmark:
    """Draws of a landmark model, packed side by side.

    Parameters
    ----------
    values : ndarray of float, shape (draws, values)
        For each end: the columns of a case, landmark, what is seen, what is not noted, what is seen at later
        sessions, the steps from session to session; then the level of each end.
    n_ends : int
        How many ends.
    n_columns : int
        Coded columns of a case.
    n_steps : int
        Steps between sessions after a landmark that have an effect of their own.
    up_to : int
        Last landmark with an effect of its own; later ones take it.
    centres : tuple of float
        What a value not noted is set to, in the order of :data:`SEEN`: the means at the fitted landmarks.
    link : {"logit", "cloglog"}
        Link of the hazards.
    reaching : Parameters
        Some draws of the model of the cases, of one stratum: who is still in treatment at a landmark.
    """

    values: FloatArray
    n_ends: int
    n_columns: int
    n_steps: int
    up_to: int
    centres: tuple[float, ...]
    link: Link
    reaching: Parameters

    def __post_init__(self) -> None:
        width = self.n_ends * (self.n_columns + 1 + 2 * len(SEEN) + len(UNSEEN) + self.n_steps + 1)
        if self.values.ndim != 2 or self.values.shape[1] != width:
            raise ValueError(f"{self.values.shape} values, {width} a draw expected")
        if len(self.centres) != len(SEEN) or not np.isfinite(self.centres).all():
            raise ValueError(f"centres {self.centres}, one of each of {', '.join(SEEN)} expected")
        if self.up_to < 1 or self.link not in ("logit", "cloglog"):
            raise ValueError(f"landmarks up to {self.up_to}, link {self.link!r}")
        _check_reaching(self.reaching, self.n_ends, self.n_columns)
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
    def coefficients(self) -> FloatArray:
        """Effects of the columns, shape (draws, ends, columns)."""
        return self.values[:, : -self.n_ends].reshape(self.n_draws, self.n_ends, -1)

    @property
    def level(self) -> FloatArray:
        """Predictor of the next session where all columns are 0, shape (draws, ends)."""
        return self.values[:, -self.n_ends :]

    def thinned(self, chosen: NDArray[np.intp]) -> Landmark:
        """The part with some of its draws."""
        return Landmark(
            self.values[chosen],
            self.n_ends,
            self.n_columns,
            self.n_steps,
            self.up_to,
            self.centres,
            self.link,
            self.reaching,
        )

    def pmf_after(
        self, X: FloatArray, records: Records, *, horizon: int, n_ends: int, alike: int = 1
    ) -> tuple[FloatArray, FloatArray]:
        """See :class:`~retreat.model.history.part.History`.

        It is silent on how well a draw explains what was noted. The second array tells completions of a case apart by
        their chance of getting so far, alike for all draws.

        Raises
        ------
        ValueError
            If it was fitted to another number of ends, or a case has not begun.
        """
        if n_ends != self.n_ends:
            raise ValueError(f"{n_ends} ends, {self.n_ends} fitted")
        if (records.done < 1).any():
            raise ValueError("a landmark is after one session or more")
        out = np.zeros((self.n_draws, len(X), n_ends, horizon))
        standing = covariates(X, records, self.centres, up_to=self.up_to)
        block = max(1, _BLOCK_VALUES // max(1, self.n_draws * n_ends))
        order = np.argsort(records.done, kind="stable")
        # cases with as many sessions behind them run together
        for done in np.unique(records.done[records.done < horizon]):
            same = order[records.done[order] == done]
            for start in range(0, len(same), block):
                rows = same[start : start + block]
                out[:, rows, :, done:] = self._pmf(standing[rows], horizon - int(done))
        staying = self._staying(X, records, alike)
        out *= staying[:, None, None]
        return out, np.broadcast_to(staying, (self.n_draws, len(X))).copy()

    def _staying(self, X: FloatArray, records: Records, alike: int) -> FloatArray:
        """Chance that an eye with these features got so far, the likeliest completion of a case 1, shape (cases,)."""
        if alike == 1:  # nothing to weigh it against
            return np.ones(len(X))
        _, left = pmf_after(
            self.reaching,
            X,
            np.zeros(len(X), dtype=np.intp),
            records.done,
            horizon=int(records.done.max()),
            link=self.link,
        )
        chance = left.mean(axis=0).reshape(-1, alike)
        most = chance.max(axis=1, keepdims=True)
        # where no completion is given a chance none is told from another
        return np.where(most > 0, chance / np.where(most > 0, most, 1.0), 1.0).reshape(-1)

    def _pmf(self, standing: FloatArray, sessions: int) -> FloatArray:
        """Chances of each end at so many sessions after the landmark, shape (draws, cases, ends, sessions)."""
        width, last = standing.shape[1], standing.shape[1] - len(UNSEEN)
        b = self.coefficients
        now = np.einsum("np,dkp->dnk", standing, b[..., :width], optimize=True) + self.level[:, None, :]
        seen = standing[:, last - len(SEEN) : last]
        fading = np.einsum("np,dkp->dnk", seen, b[..., width : width + len(SEEN)], optimize=True)
        steps = np.zeros((self.n_draws, self.n_ends, self.n_steps + 1))
        np.cumsum(b[..., width + len(SEEN) :], axis=-1, out=steps[..., 1:])
        since = np.arange(sessions)  # 0 for the next session
        eta = now[..., None] + fading[..., None] * (since > 0)
        eta += steps[:, None, :, np.minimum(since, self.n_steps)]
        hazards, going_on = hazards_and_going_on(eta, self.link)
        staying = np.ones(going_on.shape)  # before each session
        np.cumprod(going_on[..., :-1], axis=-1, out=staying[..., 1:])
        return np.asarray(hazards * staying[:, :, None, :])

    def to_json(self) -> dict[str, Any]:
        """Everything but the values."""
        return {
            "kind": KIND,
            "n_ends": self.n_ends,
            "n_columns": self.n_columns,
            "n_steps": self.n_steps,
            "up_to": self.up_to,
            "centres": list(self.centres),
            "link": self.link,
            "reaching": {name: getattr(self.reaching, name).tolist() for name in _OF_CASES},
        }

    @staticmethod
    def from_json(data: Mapping[str, Any], values: FloatArray) -> Landmark:
        """The part from what was saved."""
        return Landmark(
            values,
            int(data["n_ends"]),
            int(data["n_columns"]),
            int(data["n_steps"]),
            int(data["up_to"]),
            tuple(float(x) for x in data["centres"]),
            data["link"],
            Parameters(**{name: np.array(data["reaching"][name], dtype=np.float64) for name in _OF_CASES}),
        )


def _check_reaching(of_cases: Parameters, n_ends: int, n_columns: int) -> None:
    draws, sessions = len(of_cases.coefficients), of_cases.session_effects.shape[-1]
    if not draws or not sessions:
        raise ValueError("no draws of who gets so far, one or more expected")
    by_end: set[tuple[int, ...]] = {(draws, n_ends)}
    expected: dict[str, set[tuple[int, ...]]] = {
        "coefficients": {(draws, n_ends, n_columns)},
        "session_effects": {(draws, 1, n_ends, sessions)},
        "operator_effect": by_end,
        "patient_loading": by_end,
        "never": {(draws,), (1,)},
    }
    for name, shapes in expected.items():
        array = getattr(of_cases, name)
        if array.shape not in shapes:
            raise ValueError(f"{name} of who gets so far: shape {array.shape} not expected")
        if not np.isfinite(array).all():
            raise ValueError(f"{name} of who gets so far is not finite")


def seen(records: Records) -> FloatArray:
    """What was noted last of each case, shape (cases, seen) in the order of :data:`SEEN`; NaN where nothing was.

    Examples
    --------
    >>> from retreat.model.history import read_records
    >>> noted = {"case": ["a", "a"], "session": [1, 2], "cleared": [0.3, None], "fragments": ["none", "few"]}
    >>> seen(read_records({"case": ["a"], "relief_before": [8]}, noted)).tolist()
    [[3.0, 1.0, 0.0, nan, 8.0]]
    """
    pieces = records.last("fragments")
    unknown = np.isnan(pieces)
    few, many = (np.where(unknown, np.nan, pieces == FRAGMENTS.index(word)) for word in ("few", "many"))
    values = (_TENTHS * records.last("cleared"), few, many, records.last("bother"), records.before)
    return np.stack(values, axis=1)


def covariates(X: FloatArray, records: Records, centres: tuple[float, ...], *, up_to: int) -> FloatArray:
    """Where each case stands at its landmark: its columns, landmark, what is seen, what is not noted.

    Parameters
    ----------
    X : ndarray of float, shape (cases, columns)
        Coded cases.
    records : Records
        What was noted, of cases after one session or more.
    centres : tuple of float
        Taken from what is seen; what was not noted is 0 after.
    up_to : int
        Last landmark with an effect of its own.

    Returns
    -------
    ndarray of float, shape (cases, columns + 1 + seen + not noted)
    """
    landmark = np.log(np.minimum(records.done, up_to))[:, None]
    noted = seen(records)
    unknown = np.isnan(noted)
    away = np.where(unknown, 0.0, noted - np.asarray(centres))
    place = [SEEN.index("few" if name == "fragments" else name) for name in UNSEEN]
    return np.concatenate([X, landmark, away, unknown[:, place].astype(float)], axis=1)
