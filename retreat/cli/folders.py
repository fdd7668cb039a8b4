"""Folders and files a command writes into."""

from __future__ import annotations

from pathlib import Path

from retreat.errors import Fault, TableError


def made(folder: Path) -> Path:
    """The folder, made if it was not there.

    Raises
    ------
    TableError
        If it cannot be made or is a file.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise TableError(
            Fault(
                str(folder),
                f"cannot be made ({error.strerror or error})",
                "a writable folder",
                "choose another",
            )
        ) from None
    return folder


def apart(out: Path | None, *inputs: Path | None) -> None:
    """Refuse an output that would overwrite an input.

    Raises
    ------
    TableError
        If they are the same file.
    """
    for path in inputs:
        if out is not None and path is not None and out.resolve() == path.resolve():
            raise TableError(
                Fault("--out", f"{out} is also read by this command", "another file", "choose another")
            )
