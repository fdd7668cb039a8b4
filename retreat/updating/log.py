"""The forecast log: what was forecast of each case, kept in the clinic as JSON lines, without features or names.

One line a forecast: quarter it was made in, model, the case's key, sessions done, and the chance of each end at each
session to come. The key is the one of the case table, which must be random (the tables refuse keys that look like
names, dates or record numbers): a second random token would need a list that links it to the case, one more file to
guard and to lose. No feature, no patient, operator or site is written, and no date finer than a quarter. A quarter is
still finer than the year that may leave a clinic (45 CFR 164.514(b)(2)(i)(C)): the log stays where the case table with
its dates stays.
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
from retreat.files import write_whole
from retreat.tables.identifiers import masked, written_out
from retreat.tables.random_keys import suspect_keys

if TYPE_CHECKING:
    from retreat.forecast import Forecast

FORMAT = "retreat-forecast"
VERSION = 1
_KEYS = ("format", "version", "made", "model", "case", "done", "ends", "pmf")
_FIX = "restore the log from a copy, or delete the line"
# sums of rounded chances may pass 1 by so much
_ROUNDING = 1e-4


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
    pmf : tuple of tuple of float
        Chance of each end at session done + 1, done + 2, ..., given treatment went on after those done.
    """

    made: str
    model: str
    case: str
    done: int
    ends: tuple[str, ...]
    pmf: tuple[tuple[float, ...], ...]

    @property
    def next_session(self) -> tuple[float, ...]:
        """Chance of each end at the next session."""
        return tuple(of_end[0] for of_end in self.pmf)

    def to_line(self) -> str:
        """One line of JSON."""
        values = (FORMAT, VERSION, self.made, self.model, self.case, self.done, self.ends, self.pmf)
        return json.dumps(dict(zip(_KEYS, values, strict=True)), allow_nan=False)


def append_forecast(path: str | Path, forecast: Forecast, model_id: str, *, made: str | None = None) -> int:
    """Add a forecast to a log, atomically.

    The first forecast of a case by a model after so many sessions counts: one already in the log is not written
    again, so that forecasting a table every day leaves one line a session.

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
        lines = "".join(one.to_line() + "\n" for one in (*before, *new))
        try:
            write_whole(target, lines.encode())
        except OSError as error:
            what = f"cannot be written ({error.strerror or error})"
            raise TableError(Fault(str(target), what, "a writable folder", "choose another")) from None
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
        If it is missing, cannot be read, or a line is not of that form; all such lines at once.
    """
    source = Path(path)
    try:
        text = source.read_bytes().decode("utf-8")
    except FileNotFoundError:
        fix = "write one with retreat forecast --log"
        raise TableError(Fault(str(source), "there is no such log", "a log of forecasts", fix)) from None
    except (OSError, UnicodeDecodeError) as error:
        raise TableError(Fault(str(source), f"cannot be read ({error})", "a log of forecasts")) from None
    found: list[Logged] = []
    faults: list[Fault] = []
    for row, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        try:
            found.append(_read(json.loads(line)))
        except (ValueError, TypeError, LookupError, AttributeError, RecursionError):
            what = "the line is not a logged forecast"
            faults.append(
                Fault(str(source), what, f"one {FORMAT} of version {VERSION} a line", _FIX, row=row)
            )
    if faults:
        raise TableError(faults)
    return tuple(found)


def quarter_of_today() -> str:
    """The quarter of today, such as 2026Q1."""
    today = datetime.now(UTC)
    return f"{today.year}Q{(today.month + 2) // 3}"


def _of(forecast: Forecast, model_id: str, quarter: str) -> Iterable[Logged]:
    mean = np.round(forecast.pmf.mean(axis=0), 6)  # (cases, ends, horizon)
    for case, done, chances in zip(forecast.cases, forecast.done, mean, strict=True):
        to_come = chances[:, int(done) :]
        if to_come.shape[1]:  # nothing is left to forecast of a case past the horizon
            pmf = tuple(tuple(float(p) for p in of_end) for of_end in to_come)
            yield Logged(quarter, model_id, case, int(done), forecast.ends, pmf)


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
    if set(data) != set(_KEYS) or data["format"] != FORMAT or data["version"] != VERSION:
        raise ValueError("another form")
    ends = tuple(str(end) for end in data["ends"])
    pmf = tuple(tuple(float(p) for p in of_end) for of_end in data["pmf"])
    lengths = {len(of_end) for of_end in pmf}
    total = sum(sum(of_end) for of_end in pmf)
    whole = isinstance(data["done"], int) and not isinstance(data["done"], bool) and data["done"] >= 0
    texts = all(isinstance(data[name], str) and data[name] for name in ("made", "model", "case"))
    sound = all(isfinite(p) and p >= 0.0 for of_end in pmf for p in of_end) and total <= 1.0 + _ROUNDING
    if not (
        whole and texts and sound and ends and len(pmf) == len(ends) and len(lengths) == 1 and lengths != {0}
    ):
        raise ValueError("a value is out of range")
    if not _is_quarter(data["made"]):
        raise ValueError("no quarter")
    return Logged(data["made"], data["model"], data["case"], data["done"], ends, pmf)


def _is_quarter(text: object) -> bool:
    if not isinstance(text, str) or len(text) != 6 or text[4] != "Q":
        return False
    return text[:4].isdecimal() and text[:4].isascii() and text[5] in "1234"
