"""Visits as arrays: what was noted at each session of each case, from the columns of the `visits` table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, TableError
from retreat.features import Columns, n_cases, number, text
from retreat.features.columns import RANGES

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

FRAGMENTS = ("none", "few", "many")
# ranges of what is noted of a session, as in the `visits` table
NOTED: dict[str, tuple[float, float]] = {
    "cleared": (0.0, 1.0),
    "bother": (0.0, 10.0),
    "energy_mj": (0.0, 50.0),
    "pulses": (0.0, 5000.0),
}
_MOST_SESSIONS = 40


@dataclass(frozen=True)
class Records:
    """What was noted of the sessions of some cases; NaN where nothing was.

    Parameters
    ----------
    done : ndarray of int, shape (cases,)
        Sessions each case has had.
    before : ndarray of float, shape (cases,)
        Bother before the first session, 0 to 10.
    cleared : ndarray of float, shape (cases, sessions)
        Share of the original opacity judged gone so far, 0 to 1.
    fragments : ndarray of float, shape (cases, sessions)
        Position in :data:`FRAGMENTS`.
    bother : ndarray of float, shape (cases, sessions)
        Bother after the session, 0 to 10.
    energy_mj, pulses : ndarray of float, shape (cases, sessions)
        Mean energy of a pulse, and pulses.
    """

    done: IntArray
    before: FloatArray
    cleared: FloatArray
    fragments: FloatArray
    bother: FloatArray
    energy_mj: FloatArray
    pulses: FloatArray

    @property
    def n_cases(self) -> int:
        """How many cases."""
        return len(self.done)

    @property
    def told(self) -> NDArray[np.bool_]:
        """Cases of which a session told how the eye stands: cleared, fragments or bother; shape (cases,)."""
        noted = [np.isfinite(a).any(axis=1) for a in (self.cleared, self.fragments, self.bother)]
        return np.asarray(np.logical_or.reduce(noted)) & (self.done > 0)

    def rows(self, chosen: NDArray[Any]) -> Records:
        """Some cases; a position may come several times."""
        return Records(
            self.done[chosen],
            self.before[chosen],
            self.cleared[chosen],
            self.fragments[chosen],
            self.bother[chosen],
            self.energy_mj[chosen],
            self.pulses[chosen],
        )

    def until(self, session: int) -> Records:
        """What was known after so many sessions, of the cases that had more; later sessions are forgotten.

        Parameters
        ----------
        session : int, from 0
            The landmark.
        """
        first = slice(0, max(session, 1))
        hidden = np.nan if session == 0 else 1.0
        return Records(
            np.minimum(self.done, session),
            self.before,
            *(
                getattr(self, name)[:, first] * hidden
                for name in ("cleared", "fragments", "bother", "energy_mj", "pulses")
            ),
        )

    def last(self, name: str) -> FloatArray:
        """The last value noted of each case, shape (cases,); NaN where none was."""
        values: FloatArray = getattr(self, name)
        found = np.isfinite(values)
        place = values.shape[1] - 1 - np.argmax(found[:, ::-1], axis=1)
        return np.where(found.any(axis=1), values[np.arange(len(values)), place], np.nan)


def read_records(cases: Columns, visits: Columns | None, done: IntArray | None = None) -> Records:
    """Records of some cases from a table of visits; visits of other cases are passed over.

    Parameters
    ----------
    cases : DataFrame or mapping of str to array_like
        Columns of the `cases` table; `case` names them, `relief_before` is the bother at the start.
    visits : DataFrame or mapping of str to array_like, or None
        Columns of the `visits` table; a column it lacks is not recorded throughout. Missed visits do not count.
    done : ndarray of int, shape (cases,), optional
        Sessions each case has had (default: the last visit of each).

    Raises
    ------
    TableError
        If a value is not allowed, or a visit is of a session its case has not had; all faults at once.

    Examples
    --------
    >>> seen = {"case": ["a", "a"], "session": [1, 2], "cleared": [0.3, 0.6], "bother": [6, 4]}
    >>> read_records({"case": ["a", "b"], "relief_before": [8, 7]}, seen).cleared.tolist()
    [[0.3, 0.6], [nan, nan]]
    """
    n = n_cases(cases)
    before = _in_range(cases, "relief_before", *RANGES["relief_before"][:2])
    if visits is None:
        return _blank(np.zeros(n, dtype=np.int64) if done is None else done, before, 1)
    place, session, rows = _places(cases, visits, n, done)
    if done is None:
        done = np.zeros(n, dtype=np.int64)
        np.maximum.at(done, place, session)
    longest = int(session.max(initial=1))
    out = _blank(done, before, longest)
    noted = {name: _in_range(visits, name, *span) for name, span in NOTED.items()}
    noted["fragments"] = _fragments(visits)
    for name, values in noted.items():
        getattr(out, name)[place, session - 1] = values[rows]
    return out


def _blank(done: IntArray, before: FloatArray, longest: int) -> Records:
    return Records(done, before, *(np.full((len(done), longest), np.nan) for _ in range(5)))


def _places(
    cases: Columns, visits: Columns, n: int, done: IntArray | None
) -> tuple[IntArray, IntArray, IntArray]:
    """Position of the case, number of the session and row of each attended visit of these cases."""
    needed = [name for name in ("case", "session") if name not in visits]
    if needed:
        raise TableError([Fault(name, "column missing in visits", fix="add it") for name in needed])
    if "case" not in cases:
        raise TableError(Fault("case", "visits were given, but the cases have no keys", fix="add the column"))
    where = {key: i for i, key in enumerate(text(cases, "case").tolist())}
    keys = text(visits, "case").tolist()
    place = np.array([where.get(key, -1) for key in keys], dtype=np.int64)
    attended = np.array([word != "yes" for word in text(visits, "missed").tolist()], dtype=bool)
    rows = np.flatnonzero((place >= 0) & attended)
    place = place[rows]
    session = number(visits, "session")[rows]
    whole = (session >= 1) & (session <= _MOST_SESSIONS) & (session == np.rint(session))
    if not whole.all():
        allowed = f"a whole number from 1 to {_MOST_SESSIONS}"
        raise TableError(
            [_fault("session", rows[i], session[i], "no session", allowed) for i in np.flatnonzero(~whole)]
        )
    numbers: IntArray = session.astype(np.int64)
    faults = []
    twice = np.zeros((n, _MOST_SESSIONS + 1), dtype=bool)
    for i, (case, k) in enumerate(zip(place.tolist(), numbers.tolist(), strict=True)):
        if twice[case, k]:
            faults.append(_fault("session", rows[i], k, f"case {keys[rows[i]]} has this session twice", ""))
        elif done is not None and k > done[case]:
            what = f"case {keys[rows[i]]} has had {done[case]} sessions"
            faults.append(_fault("session", rows[i], k, what, f"a session up to {done[case]}"))
        twice[case, k] = True
    if faults:
        raise TableError(faults)
    return place, numbers, rows


def _in_range(columns: Columns, name: str, low: float, high: float) -> FloatArray:
    values = number(columns, name)
    bad = (values < low) | (values > high)
    if bad.any():
        allowed = f"{low:g} to {high:g}"
        raise TableError([_fault(name, i, values[i], "out of range", allowed) for i in np.flatnonzero(bad)])
    return values


def _fragments(visits: Columns) -> FloatArray:
    words = text(visits, "fragments").tolist()
    codes: dict[str | None, float] = {None: np.nan} | {word: float(i) for i, word in enumerate(FRAGMENTS)}
    unknown = [i for i, word in enumerate(words) if word not in codes]
    if unknown:
        raise TableError(
            [_fault("fragments", i, words[i], "no such word", ", ".join(FRAGMENTS)) for i in unknown]
        )
    return np.array([codes[word] for word in words], dtype=np.float64)


def _fault(column: str, row: object, value: object, what: str, allowed: str) -> Fault:
    # the header is row 1 of a spreadsheet, the first visit row 2
    return Fault(column, f"{what} ({value})", allowed, row=int(row) + 2, column=column, value=str(value))  # type: ignore[call-overload]
