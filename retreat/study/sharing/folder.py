"""A folder that appears whole, with its checksums, or not at all; and the crosswalk beside it that does not leave."""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path

from retreat.errors import Fault, TableError
from retreat.journal import write_like

SUMS = "SHA256SUMS"


def with_sums(files: Mapping[str, bytes]) -> dict[str, bytes]:
    """The files by name, and one more with their checksums, in the form `sha256sum -c` reads.

    Examples
    --------
    >>> with_sums({"a.txt": b""})["SHA256SUMS"][:8], list(with_sums({"b": b"", "a": b""}))
    (b'e3b0c442', ['a', 'b', 'SHA256SUMS'])
    """
    ordered = {name: files[name] for name in sorted(files)}
    lines = "".join(f"{sha256(content).hexdigest()}  {name}\n" for name, content in ordered.items())
    return {**ordered, SUMS: lines.encode("ascii")}


def check_places(folder: Path, crosswalk: Path, inputs: Mapping[str, Path]) -> None:
    """Refuse a crosswalk that would leave with the folder, and outputs that would fall on inputs.

    Parameters
    ----------
    folder : Path
        What is shared.
    crosswalk : Path
        What stays behind.
    inputs : mapping of str to Path
        Files read, by argument.

    Raises
    ------
    TableError
        All faults at once.
    """
    out, kept = folder.resolve(), crosswalk.resolve()
    faults = []
    if kept == out or out in kept.parents:
        what = "the crosswalk would lie inside the folder that is shared: it tells who is who"
        fix = "keep it in a place of its own that does not leave the clinic"
        faults.append(Fault("crosswalk", what, "a file outside the folder", fix))
    elif kept.is_dir():
        faults.append(Fault("crosswalk", f"{crosswalk} is a folder", "a file", "name a file in it"))
    elif not kept.parent.is_dir():
        faults.append(Fault("crosswalk", f"{crosswalk.parent} is no folder", "an existing folder", "make it"))
    if not out.parent.is_dir():
        faults.append(
            Fault("out", f"{folder.parent} is no folder", "a new folder in an existing one", "make it")
        )
    if out.exists() and not out.is_dir():
        faults.append(Fault("out", f"{folder} is a file", "a new folder", "choose another name"))
    for name, path in inputs.items():
        if path.resolve() == kept:
            faults.append(Fault("crosswalk", f"{crosswalk} is also read as {name}", "another file"))
        if out in path.resolve().parents:
            faults.append(
                Fault("out", f"{name} lies inside {folder}, the folder that is shared", "a new folder")
            )
    if faults:
        raise TableError(faults)


def place(folder: Path, files: Mapping[str, bytes], crosswalk: Path, links: bytes) -> bool:
    """Write the crosswalk, then the folder; after a fault both are as they were.

    Parameters
    ----------
    folder : Path
        What is shared; new, empty, or holding exactly these files.
    files : mapping of str to bytes
        Content by name.
    crosswalk : Path
        File readable by its owner alone.
    links : bytes
        Its content.

    Returns
    -------
    bool
        Whether the folder is new; False where it held these bytes already.

    Raises
    ------
    TableError
        If the folder holds anything else, or something cannot be written.
    """
    if _holds(folder, files):
        _write_private(crosswalk, links)
        return False
    if folder.is_dir() and any(folder.iterdir()):
        what = f"{folder} is there and holds other files: what was shared before is never written over"
        raise TableError(Fault("out", what, "a new folder", "choose another name"))
    beside = folder.with_name(f".{folder.name}.{os.urandom(4).hex()}.part")
    before = crosswalk.read_bytes() if crosswalk.exists() else None
    try:
        beside.mkdir()
        for name, content in files.items():
            write_like(beside / name, content, None)
        # first what keeps the keys: a folder without its crosswalk could never be made again
        _write_private(crosswalk, links)
        try:
            if folder.is_dir():
                folder.rmdir()
            beside.rename(folder)
        except BaseException:
            _put_back(crosswalk, before)
            raise
    except OSError as error:
        what = f"cannot be written ({error.strerror or error})"
        raise TableError(
            Fault("out", f"{folder}: {what}", "a place you may write to", "choose another")
        ) from None
    finally:
        shutil.rmtree(beside, ignore_errors=True)
    return True


def _holds(folder: Path, files: Mapping[str, bytes]) -> bool:
    if not folder.is_dir() or {path.name for path in folder.iterdir()} != set(files):
        return False
    return all((folder / name).read_bytes() == content for name, content in files.items())


def _put_back(crosswalk: Path, before: bytes | None) -> None:
    if before is None:
        crosswalk.unlink(missing_ok=True)
    else:
        _write_private(crosswalk, before)


def _write_private(path: Path, content: bytes) -> None:
    """Whole or not at all, and never open to others, not even for a moment."""
    if path.exists() and path.read_bytes() == content:
        return
    beside = path.with_name(f".{path.name}.{os.urandom(4).hex()}.part")
    try:
        with open(beside, "xb", opener=lambda name, flags: os.open(name, flags, 0o600)) as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
