"""Logs kept as JSON lines: read with every broken line told at once, and written whole or not at all."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from retreat.errors import Fault, TableError
from retreat.files import write_whole

# what reading a damaged or crafted line raises on its way through json and the record
_DAMAGE = (ValueError, TypeError, LookupError, AttributeError, RecursionError, OverflowError)
_FIX = "restore the log from a copy, or delete the line"


@dataclass(frozen=True)
class LineLog:
    """One kind of log: what its lines are called, and who writes it.

    Parameters
    ----------
    entry : str
        What a line holds, such as ``forecast``.
    line : str
        What a line may be, such as ``one retreat-forecast of version 2``.
    writer : str
        Command that writes the log.
    """

    entry: str
    line: str
    writer: str

    def read[Entry](self, path: str | Path, entry_of: Callable[[Any], Entry]) -> tuple[Entry, ...]:
        """The entries of a log, in the order they were written; blank lines are passed over.

        Raises
        ------
        TableError
            If it is missing, cannot be read, or a line is not of that form; all such lines at once.
        """
        source, allowed = Path(path), f"a log of {self.entry}s"
        try:
            text = source.read_bytes().decode("utf-8")
        except FileNotFoundError:
            fix = f"write one with {self.writer}"
            raise TableError(Fault(str(source), "there is no such log", allowed, fix)) from None
        except (OSError, UnicodeDecodeError) as error:
            raise TableError(Fault(str(source), f"cannot be read ({error})", allowed)) from None
        found: list[Entry] = []
        faults: list[Fault] = []
        for row, line in enumerate(text.splitlines(), start=1):
            if not line.strip():
                continue
            try:
                found.append(entry_of(json.loads(line)))
            except _DAMAGE:
                what = f"the line is not a logged {self.entry}"
                faults.append(Fault(str(source), what, f"{self.line} a line", _FIX, row=row))
        if faults:
            raise TableError(faults)
        return tuple(found)


def write_lines(path: str | Path, lines: Iterable[str]) -> None:
    """Write a whole log.

    Raises
    ------
    TableError
        If it cannot be written; the old log then stands.
    """
    target = Path(path)
    try:
        write_whole(target, "".join(f"{line}\n" for line in lines).encode())
    except OSError as error:
        what = f"cannot be written ({error.strerror or error})"
        raise TableError(Fault(str(target), what, "a writable folder", "choose another")) from None
