"""The threshold of a watch, fixed when it begins and kept beside the log, so that looking again does not move it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any

from retreat.errors import Fault, TableError
from retreat.files import write_whole
from retreat.updating.chart import Threshold

FORMAT = "retreat-watch"
VERSION = 1
_FIX = "restore it from a copy, or delete it: the next watch fixes a threshold anew"


@dataclass(frozen=True)
class KeptThreshold:
    """A threshold, the model it is for, and the last quarter and outcomes it was found from."""

    model: str
    threshold: Threshold
    quarter: str
    n_outcomes: int


def place_of(log: Path) -> Path:
    """File beside a log that keeps its thresholds."""
    return log.with_name(f"{log.name}.watch.json")


def read_kept(log: Path) -> tuple[KeptThreshold, ...]:
    """Thresholds kept beside a log; none where there is no such file.

    Raises
    ------
    TableError
        If the file is damaged.
    """
    place = place_of(log)
    if not place.exists():
        return ()
    try:
        data = json.loads(place.read_bytes().decode("utf-8"))
        if data["format"] != FORMAT or data["version"] != VERSION:
            raise ValueError("another form")
        return tuple(_read(one) for one in data["thresholds"])
    except (OSError, ValueError, TypeError, LookupError, AttributeError, RecursionError):
        what = "it is no file of thresholds"
        raise TableError(Fault(str(place), what, f"{FORMAT} of version {VERSION}", _FIX)) from None


def kept_for(kept: tuple[KeptThreshold, ...], model: str, false_alarm: float) -> KeptThreshold | None:
    """The threshold of a model for a chance of a false alarm; None where none is kept."""
    return next((k for k in kept if k.model == model and k.threshold.false_alarm == false_alarm), None)


def write_kept(log: Path, kept: tuple[KeptThreshold, ...]) -> None:
    """Write thresholds beside a log, atomically.

    Raises
    ------
    TableError
        If the file cannot be written.
    """
    place = place_of(log)
    rows = [
        {
            "model": k.model,
            "false_alarm": k.threshold.false_alarm,
            "height": k.threshold.height,
            "planned": k.threshold.planned,
            "power": list(k.threshold.power),
            "quarter": k.quarter,
            "n_outcomes": k.n_outcomes,
        }
        for k in kept
    ]
    text = json.dumps({"format": FORMAT, "version": VERSION, "thresholds": rows}, allow_nan=False, indent=1)
    try:
        write_whole(place, text.encode())
    except OSError as error:
        what = f"cannot be written ({error.strerror or error})"
        fix = "the watch keeps its threshold beside the log: move the log to such a folder"
        raise TableError(Fault(str(place), what, "a writable folder", fix)) from None


def _read(data: dict[str, Any]) -> KeptThreshold:
    height, false_alarm = float(data["height"]), float(data["false_alarm"])
    better, worse = (float(p) for p in data["power"])
    planned, n = int(data["planned"]), int(data["n_outcomes"])
    chances = all(0.0 <= p <= 1.0 for p in (false_alarm, better, worse))
    if not (isfinite(height) and height > 0 and planned > 0 and n > 0 and chances):
        raise ValueError("a value is out of range")
    threshold = Threshold(height, planned, false_alarm, (better, worse))
    return KeptThreshold(str(data["model"]), threshold, str(data["quarter"]), n)
