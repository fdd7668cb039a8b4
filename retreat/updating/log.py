"""The forecast log: what was forecast of each case, kept in the clinic as JSON lines, without features or names.

One line a forecast: quarter it was made in, model, the case's key, sessions done, and the chance of each end at the
next session, rounded to hundredths, which is all that a watch uses. The key is the one of the case table, which must be
random (the tables refuse keys that look like names, dates or record numbers; so do writing and reading here): a second
random token would need a list that links it to the case, one more file to guard and to lose. No feature, no patient,
operator or site is written, and no date finer than a quarter.

The chances still say something of the eye to whoever holds the model's file: they leave the eyes to which the model
gives about those chances. Of 495 kinds, sizes and zones a model of `core` leaves 7 in the median for a line, 1 for
some, and fewer after several sessions; six digits gave every one away. And a quarter is finer than the year that may
leave a clinic (45 CFR 164.514(b)(2)(i)(C)). So the log is not anonymous, and stays where the case table with its dates
stays.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from retreat.errors import Fault, TableError
from retreat.tables.identifiers import masked, written_out
from retreat.tables.line_log import LineLog, write_lines
from retreat.tables.random_keys import suspect_keys

if TYPE_CHECKING:
    from retreat.forecast import Forecast

FORMAT = "retreat-forecast"
VERSION = 2
_KEYS = ("format", "version", "made", "model", "case", "done", "ends", "next")
# the first version held six digits of every session to come
_KEYS_1 = (*_KEYS[:-1], "pmf")
_LOG = LineLog("forecast", f"one {FORMAT} of version {VERSION}", "retreat forecast --log")
# chances are kept in hundredths; rounded up, the sum of those of each end may pass 1 by one each
_PARTS = 100


@dataclass(frozen=True)
class Logged:
    """One forecast of one case.

    Parameters
    ----------
    made : str
        Quarter, such as 2026Q1.
    model : str
        Fingerprint of the model.
    case : str
        Random key of the case.
    done : int
        Sessions the case had had.
    ends : tuple of str
        Ways a course can end.
    next_session : tuple of float
        Chance of each end at the next session, given treatment went on after those done, in hundredths.
    """

    made: str
    model: str
    case: str
    done: int
    ends: tuple[str, ...]
    next_session: tuple[float, ...]

    def to_line(self) -> str:
        """One line of JSON."""
        values = (FORMAT, VERSION, self.made, self.model, self.case, self.done, self.ends, self.next_session)
        return json.dumps(dict(zip(_KEYS, values, strict=True)), allow_nan=False)


def append_forecast(path: str | Path, forecast: Forecast, model_id: str, *, made: str | None = None) -> int:
    """Add a forecast to a log, atomically.

    The first forecast of a case by a model after so many sessions counts: one already in the log is not written
    again, so that forecasting a table every day leaves one line a session. Chances are rounded to hundredths, up or
    down by chance so that their mean is right: a rare end would else be forecast never.

    Parameters
    ----------
    path : str or Path
        The log; made if it is not there.
    forecast : Forecast
        Its cases must bear the random keys of the case table.
    model_id : str
        Fingerprint of the model.
    made : str, optional
        Quarter such as 2026Q1; this one by default.

    Returns
    -------
    int
        Lines added.

    Raises
    ------
    TableError
        If the log is damaged, no log of forecasts, or cannot be written; if a key looks like an identifier; or the
        quarter is none.
    """
    target = Path(path)
    quarter = quarter_of_today() if made is None else made
    if not _is_quarter(quarter):
        raise TableError(Fault("made", f"{quarter!r}", "a quarter, such as 2026Q1"))
    _refuse_identifiers(forecast.cases)
    before = read_log(target) if target.exists() else ()
    known = {(one.model, one.case, one.done) for one in before}
    new = [one for one in _of(forecast, model_id, quarter) if (one.model, one.case, one.done) not in known]
    if new:
        write_lines(target, (one.to_line() for one in (*before, *new)))
    return len(new)


def read_log(path: str | Path) -> tuple[Logged, ...]:
    """The forecasts in a log, in the order they were made.

    Parameters
    ----------
    path : str or Path
        A log written by :func:`append_forecast`.

    Raises
    ------
    TableError
        If it is missing, cannot be read, a line is not of that form (all such lines at once), or a key looks like an
        identifier.
    """
    found = _LOG.read(path, _read)
    _refuse_identifiers(tuple(dict.fromkeys(one.case for one in found)))
    return found


def quarter_of_today() -> str:
    """The quarter of today, such as 2026Q1."""
    today = datetime.now(UTC)
    return f"{today.year}Q{(today.month + 2) // 3}"


def _of(forecast: Forecast, model_id: str, quarter: str) -> Iterable[Logged]:
    mean = forecast.pmf.mean(axis=0)  # (cases, ends, horizon)
    for case, done, chances in zip(forecast.cases, forecast.done, mean, strict=True):
        if int(done) < chances.shape[1]:  # nothing is left to forecast of a case past the horizon
            told = _rounded(chances[:, int(done)].tolist())
            yield Logged(quarter, model_id, case, int(done), forecast.ends, told)


def _rounded(chances: Sequence[float]) -> tuple[float, ...]:
    """Chances in hundredths, rounded up as often as they lie near the higher one."""
    # of no seed: whoever could draw the same numbers again would know the chance more closely
    up = np.random.default_rng().random(len(chances))
    # six digits first: half of a hundredth in binary must not fall to the one below
    parts = np.floor(np.round(_PARTS * np.asarray(chances), 4) + up)
    return tuple(float(p) for p in np.minimum(parts, _PARTS) / _PARTS)


def _refuse_identifiers(cases: Sequence[str]) -> None:
    """Refuse keys that look like identifiers, though the table they came from should have been checked."""
    looks = {case: form for case in cases if (form := written_out(case))} | suspect_keys(cases)
    faults = [
        Fault("case", f"{masked(case)} looks like {form}", "random keys", "draw random keys for the cases")
        for case, form in looks.items()
    ]
    if faults:
        raise TableError(faults)


def _read(data: dict[str, Any]) -> Logged:
    if data["format"] != FORMAT:
        raise ValueError("another form")
    if data["version"] == 1:
        data = _from_version_1(data)
    if set(data) != set(_KEYS) or data["version"] != VERSION:
        raise ValueError("another form")
    ends = tuple(str(end) for end in data["ends"])
    told = tuple(float(p) for p in data["next"])
    whole = isinstance(data["done"], int) and not isinstance(data["done"], bool) and data["done"] >= 0
    texts = all(isinstance(data[name], str) and data[name] for name in ("made", "model", "case"))
    sound = all(isfinite(p) and 0.0 <= p <= 1.0 for p in told) and sum(told) <= 1.0 + len(told) / _PARTS
    if not (whole and texts and sound and ends and len(told) == len(ends)):
        raise ValueError("a value is out of range")
    if not _is_quarter(data["made"]):
        raise ValueError("no quarter")
    return Logged(data["made"], data["model"], data["case"], data["done"], ends, told)


def _from_version_1(data: dict[str, Any]) -> dict[str, Any]:
    """A line of the first version without its digits and later sessions, so that the next forecast drops them."""
    if set(data) != set(_KEYS_1):
        raise ValueError("another form")
    told = [round(float(of_end[0]), 2) for of_end in data["pmf"]]
    kept = {name: value for name, value in data.items() if name != "pmf"}
    return kept | {"version": VERSION, "next": told}


def _is_quarter(text: object) -> bool:
    if not isinstance(text, str) or len(text) != 6 or text[4] != "Q":
        return False
    return text[:4].isdecimal() and text[:4].isascii() and text[5] in "1234"
