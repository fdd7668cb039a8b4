"""What a command prints: faults as a table on stderr, results as plain lines or JSON on stdout."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Sequence
from typing import Any, TextIO

from retreat.errors import Fault

# faults beyond this many of one column and kind are counted, not listed; --json lists every one
_LISTED = 10


def show_faults(faults: Sequence[Fault]) -> None:
    """Print faults as a table on stderr, long runs of one kind shortened with their count."""
    from rich.console import Console  # heavy: only a refusal pays for it
    from rich.table import Table

    table = Table(box=None, padding=(0, 2, 0, 0), header_style="bold")
    for heading in ("row", "where", "what was found", "what is allowed", "what to do"):
        table.add_column(heading, overflow="fold")
    for fault in _shortened(faults):
        row = "" if fault.row is None else str(fault.row)
        table.add_row(*map(_plain, (row, fault.where, fault.what, fault.allowed, fault.fix)))
    Console(stderr=True, highlight=False, width=_width(sys.stderr)).print(table)


def show_table(headings: Sequence[str], rows: Iterable[Sequence[str]], *, title: str = "") -> None:
    """Print a table on stdout."""
    from rich.console import Console  # heavy: kept off the path of a written sheet
    from rich.table import Table

    table = Table(box=None, padding=(0, 2, 0, 0), header_style="bold", title=title, title_justify="left")
    for heading in headings:
        table.add_column(heading, overflow="fold")
    for row in rows:
        table.add_row(*map(_plain, row))
    Console(highlight=False, width=_width(sys.stdout)).print(table)


def show_json(value: Any) -> None:
    """Print a value as JSON on stdout."""
    json.dump(value, sys.stdout, indent=2, ensure_ascii=False, allow_nan=False)
    sys.stdout.write("\n")


def fault_json(fault: Fault) -> dict[str, Any]:
    """A fault for a program to read."""
    keys = ("row", "column", "value", "where", "what", "allowed", "fix")
    return {key: getattr(fault, key) for key in keys}


def _width(stream: TextIO) -> int | None:
    """Width of a terminal as it is; wide in a file or pipe, where nothing should be folded."""
    return None if stream.isatty() else 200


def _plain(text: str) -> str:
    # square brackets are markup to rich
    return text.replace("[", "\\[")


def _shortened(faults: Sequence[Fault]) -> list[Fault]:
    seen: dict[tuple[str, str], int] = {}
    kept: list[Fault] = []
    for fault in faults:
        kind = (fault.where, fault.allowed)
        seen[kind] = seen.get(kind, 0) + 1
        if seen[kind] <= _LISTED:
            kept.append(fault)
    more = [(kind, n - _LISTED) for kind, n in seen.items() if n > _LISTED]
    return kept + [
        Fault(where, f"and {n} more of this kind", fix="--json lists all") for (where, _), n in more
    ]
