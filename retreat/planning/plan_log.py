"""The plan log: what was planned, kept as JSON lines so that it can be held against what happened; no identifiers.

One line a plan: the day it was made, the first Monday, the model, the distribution of the slots of each week and of the
first four weeks together, their 10%, 50% and 90% points, and the slots open in each week where that was given. They are
sums over the clinic: no key of a case or patient, no operator or site is written. With very few open cases a sum may
still tell of one of them to whoever knows the clinic, so the log stays where the case table stays.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from retreat.planning.demand import quantile
from retreat.tables.line_log import LineLog, write_lines

if TYPE_CHECKING:
    from retreat.planning.planned import Plan

FORMAT = "retreat-plan"
VERSION = 2
MONTH = 4  # weeks of the total that is held against the last month
_KEYS = ("format", "version", "made", "start", "model", "quantiles", "weeks", "month", "open")
_KEYS_BEFORE = _KEYS[:-1]  # of version 1, which did not keep what was open
_LOG = LineLog("plan", f"one {FORMAT} of version {VERSION}", "retreat plan --log")
_DIGITS = 5
_MOST_SLOTS = 100_000


@dataclass(frozen=True)
class LoggedPlan:
    """One plan as it was made.

    Parameters
    ----------
    made, start : date
        Day it was made; Monday of its first week.
    model : str
        Fingerprint of the model.
    weeks : tuple of (int, tuple of float)
        For each week, the least number of slots with any chance, and the chances from it on.
    month : (int, tuple of float)
        The same for the first four weeks together.
    open : tuple of int or None
        Slots open in each week; None where no capacity was given.
    """

    made: date
    start: date
    model: str
    weeks: tuple[tuple[int, tuple[float, ...]], ...]
    month: tuple[int, tuple[float, ...]]
    open: tuple[int, ...] | None = None

    def to_line(self) -> str:
        """One line of JSON."""
        points = [[quantile_of(week, p) for p in (0.1, 0.5, 0.9)] for week in self.weeks]
        made, start = self.made.isoformat(), self.start.isoformat()
        values = (FORMAT, VERSION, made, start, self.model, points, self.weeks, self.month, self.open)
        return json.dumps(dict(zip(_KEYS, values, strict=True)), allow_nan=False)


def append_plan(path: str | Path, plan: Plan) -> Literal["added", "replaced", "same"]:
    """Keep a plan in a log, atomically; one of the same day, first week and model takes the place of the earlier.

    Parameters
    ----------
    path : str or Path
        The log; made if it is not there.
    plan : Plan
        From :func:`retreat.plan`.

    Returns
    -------
    str
        What became of it: added, put in the place of another, or the same as one already there.

    Raises
    ------
    TableError
        If the log is damaged, no log of plans, or cannot be written.
    """
    target = Path(path)
    before = list(read_plans(target)) if target.exists() else []
    weekly = tuple(trimmed(week) for week in plan.demand.weekly)
    month = trimmed(plan.demand.totals[MONTH])
    room = None if plan.slots is None else tuple(int(n) for n in plan.slots)
    new = LoggedPlan(plan.today, plan.start, plan.model_id, weekly, month, room)
    if new in before:
        return "same"
    alike = [one for one in before if (one.made, one.start, one.model) == (new.made, new.start, new.model)]
    write_lines(target, (one.to_line() for one in (*(p for p in before if p not in alike), new)))
    return "replaced" if alike else "added"


def read_plans(path: str | Path) -> tuple[LoggedPlan, ...]:
    """The plans in a log, in the order they were made.

    Raises
    ------
    TableError
        If it is missing, cannot be read, or a line is not of that form; all such lines at once.
    """
    return _LOG.read(path, _read)


def trimmed(pmf: ArrayLike) -> tuple[int, tuple[float, ...]]:
    """Distribution without its empty ends: the first number of slots kept, and the rounded chances from it on.

    Examples
    --------
    >>> trimmed([0.0, 0.0, 0.25, 0.75, 0.0])
    (2, (0.25, 0.75))
    """
    rounded = np.round(np.asarray(pmf, dtype=float), _DIGITS)
    kept = np.flatnonzero(rounded > 0)
    low, high = (int(kept[0]), int(kept[-1])) if len(kept) else (0, 0)
    return low, tuple(float(p) for p in rounded[low : high + 1])


def quantile_of(week: tuple[int, Sequence[float]], probability: float) -> int:
    """Quantile of a trimmed distribution.

    Examples
    --------
    >>> quantile_of((2, (0.25, 0.75)), 0.5)
    3
    """
    return week[0] + int(quantile(shares(week[1]), probability))


def shares(chances: Sequence[float]) -> NDArray[np.float64]:
    """Rounded chances as shares that add to 1."""
    told = np.asarray(chances, dtype=float)
    return np.asarray(told / told.sum())


def _read(data: dict[str, Any]) -> LoggedPlan:
    keys = {1: _KEYS_BEFORE, VERSION: _KEYS}.get(data["version"], ())
    if set(data) != set(keys) or data["format"] != FORMAT:
        raise ValueError("another form")
    made, start = date.fromisoformat(data["made"]), date.fromisoformat(data["start"])
    if start.weekday() or not isinstance(data["model"], str) or not data["model"] or not data["weeks"]:
        raise ValueError("another form")
    weeks = tuple(_distribution(week) for week in data["weeks"])
    room = None if data.get("open") is None else tuple(_slots(n) for n in data["open"])
    if room is not None and len(room) != len(weeks):
        raise ValueError("another form")
    return LoggedPlan(made, start, data["model"], weeks, _distribution(data["month"]), room)


def _slots(told: Any) -> int:
    if not isinstance(told, int) or isinstance(told, bool) or not 0 <= told <= _MOST_SLOTS:
        raise ValueError("no number of slots")
    return told


def _distribution(told: Any) -> tuple[int, tuple[float, ...]]:
    first, chances = told
    found = tuple(float(p) for p in chances)
    whole = isinstance(first, int) and not isinstance(first, bool) and 0 <= first <= _MOST_SLOTS
    if not (
        whole and found and all(isfinite(p) and 0 <= p <= 1 for p in found) and abs(sum(found) - 1) < 0.01
    ):
        raise ValueError("no distribution")
    return first, found
