"""What is remembered of the last logged visit, so that it, and nothing else, can be taken back."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

from retreat.errors import Fault, TableError
from retreat.record.entry import LoggedVisit

_FORMAT, _VERSION = "retreat-last-log", 1


def last_log(logged: LoggedVisit, **needed: object) -> str:
    """The note on the last logged visit, as JSON.

    Parameters
    ----------
    logged : LoggedVisit
        It holds no measurement and no name.
    **needed : object
        What taking it back needs.
    """
    head = {"format": _FORMAT, "version": _VERSION, "logged": asdict(logged)}
    return json.dumps(head | needed, indent=1)


def nothing_logged() -> str:
    """The note once the last visit has been taken back."""
    return json.dumps({"format": _FORMAT, "version": _VERSION, "logged": None})


def read_last_log(place: str, text: str | bytes | None) -> tuple[LoggedVisit, dict[str, Any]]:
    """The last logged visit, and all of its note.

    Parameters
    ----------
    place : str
        File, for the faults.
    text : str, bytes or None
        The note; None if there is none.

    Raises
    ------
    TableError
        If there is nothing to take back, or the note is damaged.
    """
    if text is None:
        raise nothing_to_undo(place)
    try:
        note = json.loads(text)
        if note["format"] != _FORMAT or note["version"] != _VERSION:
            raise ValueError("another form")
        logged = None if note["logged"] is None else LoggedVisit(**note["logged"])
    except (ValueError, TypeError, LookupError):
        what, fix = "the note on the last logged visit is damaged", "take the visit out by hand"
        raise TableError(Fault(place, what, f"a {_FORMAT} of version {_VERSION}", fix)) from None
    if logged is None:
        raise nothing_to_undo(place)
    return logged, note


def nothing_to_undo(place: str) -> TableError:
    """The refusal where no visit was logged, or the last was taken back already."""
    what = "there is no logged visit to take back"
    return TableError(Fault(place, what, "the last visit written by retreat log, once", "mend it by hand"))


def changed_since(place: str) -> TableError:
    """The refusal where a table is no longer what the log left."""
    what = "it was changed since the last visit was logged, so that visit cannot be taken back"
    return TableError(Fault(place, what, "a table as retreat log left it", "take the visit out by hand"))
