"""Forecast: relieved, stopped, in treatment after k sessions, for each case, with ranges over the draws."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]

IN_TREATMENT = "in_treatment"


@dataclass(frozen=True)
class Forecast:
    """What a model expects of each case, session by session.

    Sessions are counted from the first of the course, so entry k-1 of the last axis is session k. A case
    that already had `done` sessions is forecast given that it was still in treatment after them: nothing
    ends at sessions up to `done`. The ends and the share in treatment add to 1 at every session.

    Parameters
    ----------
    pmf : ndarray of float, shape (draws, cases, ends, horizon)
        Probability of ending in each way at exactly each session. One draw is one plausible value of
        the model's parameters, so spread over draws is uncertainty about the probability itself.
    done : ndarray of int, shape (cases,)
        Sessions each case has had.
    cases : tuple of str
        Labels of the cases.
    ends : tuple of str
        Names of the ends.
    notes : tuple of tuple of str
        For each case, what its reader must know (averaged features, extrapolated sessions).
    cautions : tuple of str
        What holds for the whole model: invented data, failed gates. Empty when nothing is wrong.

    Examples
    --------
    >>> f = Forecast(np.array([[[[0.5, 0.2], [0.1, 0.04]]]]), np.array([0]), ("a",), ("relieved", "stopped"))
    >>> f.incidence[0, 0, 0].tolist()
    [0.5, 0.7]
    >>> f.in_treatment.round(3)[0, 0].tolist()
    [0.4, 0.16]
    """

    pmf: FloatArray
    done: NDArray[np.int64]
    cases: tuple[str, ...]
    ends: tuple[str, ...]
    notes: tuple[tuple[str, ...], ...] = ()
    cautions: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        if self.pmf.ndim != 4 or self.pmf.shape[1:3] != (len(self.cases), len(self.ends)):
            raise ValueError("pmf needs the shape (draws, cases, ends, horizon)")
        if self.done.shape != (len(self.cases),):
            raise ValueError("done needs one number a case")
        if self.notes and len(self.notes) != len(self.cases):
            raise ValueError("notes need one entry a case")
        if not np.isfinite(self.pmf.sum()):  # one pass without a copy: a forecast may be gigabytes
            raise ValueError("pmf holds values that are not numbers")

    def __repr__(self) -> str:
        """One line, not the arrays."""
        cases = f"{len(self.cases)} case{'' if len(self.cases) == 1 else 's'}"
        return f"<Forecast of {cases} to session {self.horizon}, {len(self.pmf)} draws>"

    @property
    def horizon(self) -> int:
        """Largest session forecast."""
        return int(self.pmf.shape[-1])

    @property
    def incidence(self) -> FloatArray:
        """Cumulative incidence, shape (draws, cases, ends, horizon)."""
        return np.cumsum(self.pmf, axis=-1)

    @property
    def in_treatment(self) -> FloatArray:
        """Share still in treatment, shape (draws, cases, horizon)."""
        return np.clip(1.0 - self.incidence.sum(axis=2), 0.0, 1.0)

    @property
    def states(self) -> tuple[str, ...]:
        """Names of the states of :meth:`quantiles`, ends first."""
        return (*self.ends, IN_TREATMENT)

    def quantiles(self, probabilities: tuple[float, ...]) -> FloatArray:
        """Quantiles over draws of each state's share, shape (probabilities, cases, states, horizon).

        Parameters
        ----------
        probabilities : tuple of float, each in [0, 1]
            Which quantiles.
        """
        # numpy's own quantile loads masked arrays, a tenth of the time numpy itself takes: a cold sheet would wait
        place = np.asarray(probabilities, dtype=float) * (len(self.pmf) - 1)
        below = np.floor(place).astype(int)
        above = np.minimum(below + 1, len(self.pmf) - 1)
        ranked = np.partition(self._shares(), sorted({*below.tolist(), *above.tolist()}), axis=0)
        part = (place - below)[:, None, None, None]
        return np.asarray(ranked[below] + part * (ranked[above] - ranked[below]))

    def mean(self) -> FloatArray:
        """Mean over draws of each state's share, shape (cases, states, horizon); states add to 1."""
        return np.asarray(self._shares().mean(axis=0))

    def _shares(self) -> FloatArray:
        incidence = self.incidence
        staying = np.clip(1.0 - incidence.sum(axis=2, keepdims=True), 0.0, 1.0)
        return np.concatenate([incidence, staying], axis=2)  # (draws, cases, states, horizon)

    def table(self, level: float = 0.9) -> pd.DataFrame:
        """Tidy table: case, session, state, estimate, low, high, note.

        Parameters
        ----------
        level : float in (0, 1)
            Coverage of the equal-tailed interval from low to high. It is about the share of eyes like
            this one, not about one eye.

        Returns
        -------
        pandas.DataFrame
            One row a case, session and state; `estimate` is the mean over draws, `note` what to know of the case.
            Where the whole model comes
            with cautions, a column `caution` says so on every row.

        Raises
        ------
        FitError
            If `level` is not above 0 and below 1.
        """
        import pandas as pd  # heavy: only whoever asks for a table pays for it

        low, high = self.quantiles(_tails(level))
        shape = (len(self.cases), len(self.states), self.horizon)
        case, state, session = (axis.ravel() for axis in np.indices(shape))
        frame = pd.DataFrame(
            {
                "case": np.array(self.cases, dtype=object)[case],
                "session": session + 1,
                "state": np.array(self.states, dtype=object)[state],
                "estimate": self.mean().ravel(),
                "low": low.ravel(),
                "high": high.ravel(),
                "note": np.array(["; ".join(notes) for notes in self._notes()], dtype=object)[case],
            }
        )
        return self._cautioned(frame.astype({"case": "str", "state": "str", "note": "str"}))

    def sessions(self, level: float = 0.8) -> pd.DataFrame:
        """Number of sessions of each case's course: restricted mean, median and prediction interval.

        The course's length is the session at which it ends in any way, sessions already done included;
        a course that goes on past the horizon counts as the horizon in the mean and in `further`, the mean
        number still to come (restricted mean, Karrison 1987 [1]_): both are too small where `beyond`, the
        probability of going on past the horizon, is not. The prediction interval is about one eye: it holds
        both the luck of the course and the uncertainty of the parameters. Where it passes the horizon, `high`
        is NaN.

        Parameters
        ----------
        level : float in (0, 1)
            Coverage of the equal-tailed prediction interval.

        Returns
        -------
        pandas.DataFrame
            Columns case, done, mean, further, median, low, high, beyond, note; median, low and high are
            whole sessions, NaN when past the horizon. Where the whole model comes with cautions, a column
            `caution` says so on every row.

        Raises
        ------
        FitError
            If `level` is not above 0 and below 1.

        References
        ----------
        .. [1] Karrison T. Restricted mean life with adjustment for covariates. JASA 1987;82:1169-1176
           (from memory).
        """
        import pandas as pd  # heavy: only whoever asks for a table pays for it

        staying = self.in_treatment.mean(axis=0)  # (cases, horizon)
        low_tail, high_tail = _tails(level)
        mean = np.maximum(1.0 + staying[:, :-1].sum(axis=1), self.done)
        frame = pd.DataFrame(
            {
                "case": pd.Series(self.cases, dtype="str"),
                "done": self.done,
                "mean": mean,
                "further": mean - self.done,
                "median": _first_session(staying, 0.5),
                "low": _first_session(staying, low_tail),
                "high": _first_session(staying, high_tail),
                "beyond": staying[:, -1],
                "note": pd.Series(["; ".join(notes) for notes in self._notes()], dtype="str"),
            }
        )
        return self._cautioned(frame)

    def _notes(self) -> tuple[tuple[str, ...], ...]:
        return self.notes or ((),) * len(self.cases)

    def _cautioned(self, frame: pd.DataFrame) -> pd.DataFrame:
        return frame.assign(caution=" ".join(self.cautions)) if self.cautions else frame

    def to_json(self, level: float = 0.9) -> list[dict[str, object]]:
        """The same numbers as :meth:`table`, one entry a case, in plain lists for a program to read."""
        low, high = self.quantiles(_tails(level))
        mean = self.mean()
        notes = self._notes()

        def of(values: FloatArray, case: int) -> Mapping[str, list[float]]:
            return {state: values[case, i].tolist() for i, state in enumerate(self.states)}

        return [
            {
                "case": label,
                "done": int(self.done[case]),
                "sessions": list(range(1, self.horizon + 1)),
                "level": level,
                "estimate": of(mean, case),
                "low": of(low, case),
                "high": of(high, case),
                "notes": list(notes[case]),
                "cautions": list(self.cautions),
            }
            for case, label in enumerate(self.cases)
        ]


def _tails(level: float) -> tuple[float, float]:
    if not 0.0 < level < 1.0:
        percent = f"{level:g}% is level={level / 100:g}" if 1 < level < 100 else "for example level=0.8"
        raise FitError(Fault("level", f"{level!r}", "above 0 and below 1", percent))
    return (1.0 - level) / 2.0, (1.0 + level) / 2.0


def _first_session(staying: FloatArray, probability: float) -> FloatArray:
    """Smallest session by which a course has ended with at least this probability, NaN if none."""
    reached = 1.0 - staying >= probability - 1e-12  # (cases, horizon)
    first = np.argmax(reached, axis=1) + 1.0
    return np.where(reached.any(axis=1), first, np.nan)
