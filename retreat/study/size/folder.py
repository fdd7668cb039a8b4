"""A folder with what was found before a study: sentences for the protocol, figure, tables and every number."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from retreat.errors import Fault, TableError
from retreat.own_folder import check_own, place
from retreat.study.size.record import StudySize
from retreat.study.size.wording import eyes_for_all, protocol, targets_told

if TYPE_CHECKING:
    from retreat.study.size.by_end import EndSize

FILES = ("protocol.txt", "size.svg", "size.png", "size.csv", "closed.csv", "size.json")
SUMS = "size.sha256"


def check_size_folder(folder: str | Path) -> None:
    """Refuse a place where the folder cannot be written, before any work.

    Parameters
    ----------
    folder : str or Path
        New, in a folder that is there; or one that holds nothing but files of an earlier run, unchanged since.

    Raises
    ------
    TableError
        If it is a file, its parent is missing, it holds other or changed files, or nothing can be written there.
    """
    home = Path(folder)
    fault = _fault(home)
    if fault is not None:
        raise TableError(fault)
    try:
        check_own(home, sums=SUMS)
    except OSError as error:
        raise TableError(_unwritable(home, error)) from None


def write_size(found: StudySize, closed: Sequence[EndSize], folder: str | Path) -> tuple[Path, ...]:
    """Write sentences, figure, tables and numbers; the same input gives the same bytes.

    Parameters
    ----------
    found : StudySize
        From :func:`retreat.study.simulate_size`.
    closed : sequence of EndSize
        From :func:`retreat.study.size_by_end`, of the same scenario.
    folder : str or Path
        As for :func:`check_size_folder`; files of an earlier run are replaced.

    Returns
    -------
    tuple of Path
        `protocol.txt`, the figure as `size.svg` and `size.png`, `size.csv` (one row a size, measure and end),
        `closed.csv` (one row an end), `size.json` with every number; last `size.sha256` with the checksums.

    Raises
    ------
    TableError
        If the place is refused.
    RetreatError
        If a file cannot be written.
    """
    from retreat.study.size.figure import size_figure

    check_size_folder(folder)
    home = Path(folder)
    told = json.dumps(answer(found, closed), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    contents = {
        "protocol.txt": ("\n".join(_text(found, closed)) + "\n").encode("utf-8"),
        "size.svg": size_figure(found, "svg"),
        "size.png": size_figure(found, "png"),
        "size.csv": found.to_frame().to_csv(index=False, lineterminator="\n").encode("utf-8"),
        "closed.csv": _closed(closed).encode("utf-8"),
        "size.json": told.encode("utf-8"),
    }
    return place(home, {name: contents[name] for name in FILES}, sums=SUMS)


def answer(found: StudySize, closed: Sequence[EndSize]) -> dict[str, Any]:
    """Every number of both ways, and the sentences, for a program to read."""
    return found.to_json() | {
        "closed": [one.to_json() for one in closed],
        "eyes_for_all_ends": eyes_for_all(found, closed),
        "protocol": list(protocol(found, closed)),
    }


def _text(found: StudySize, closed: Sequence[EndSize]) -> list[str]:
    lines = protocol(found, closed)
    return [*lines[:-1], targets_told(found), *(f"Note: {note}." for note in found.notes), lines[-1]]


def _closed(closed: Sequence[EndSize]) -> str:
    import pandas as pd  # heavy: only for the table

    scalars = [
        {name: value for name, value in one.to_json().items() if not isinstance(value, tuple | list)}
        for one in closed
    ]
    text: str = pd.DataFrame(scalars).to_csv(index=False, lineterminator="\n")
    return text


def _fault(home: Path) -> Fault | None:
    try:
        if home.is_dir():
            same = sorted(name for name in (*FILES, SUMS) if (home / name).is_dir())
            if same:
                what = f"{home} holds a folder {same[0]}"
                return Fault("out", what, "a new folder, or that of an earlier run", "choose another name")
            tried = home
        elif home.exists() or home.is_symlink():
            return Fault("out", f"{home} is a file", "a new folder", "choose another name")
        elif not home.parent.is_dir():
            return Fault("out", f"{home.parent} is no folder", "a new folder in an existing one", "make it")
        else:
            tried = home.parent
        # whether a place may be written to is told for sure by writing alone; nothing is left there
        with tempfile.TemporaryFile(dir=tried):
            return None
    except OSError as error:
        return _unwritable(home, error)


def _unwritable(home: Path, error: OSError) -> Fault:
    what = f"{home}: cannot be written ({error.strerror or error})"
    return Fault("out", what, "a place you may write to", "choose another")
