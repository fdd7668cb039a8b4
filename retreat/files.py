"""Files written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path


def write_whole(target: Path, payload: bytes) -> None:
    """Write a file beside its place, then rename it there, so that nobody ever sees half of it.

    The file gets the permissions the process gives to new files.

    Parameters
    ----------
    target : Path
        Where; a file of that name is replaced.
    payload : bytes
        What.

    Raises
    ------
    OSError
        If it cannot be written; an older file is then as it was, and nothing else is left behind. Callers
        turn it into the error of what they write.
    """
    beside = target.with_name(f".{target.name}.{os.urandom(4).hex()}.part")
    try:
        with beside.open("xb") as stream:
            stream.write(payload)
            stream.flush()
            os.fsync(stream.fileno())
        beside.replace(target)
    finally:
        # after the rename there is nothing to remove; after a fault or an interruption there is
        if beside.parent.is_dir():
            beside.unlink(missing_ok=True)
