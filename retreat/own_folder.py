"""A folder of results that is written whole, and never over what somebody else put or changed there."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping
from hashlib import sha256
from pathlib import Path
from types import MappingProxyType

from retreat.errors import Fault, RetreatError, TableError
from retreat.files import write_whole

# files of the folder with their checksums, in the form `sha256sum -c` reads
SUMS = "study.sha256"
_LINE = re.compile(r"([0-9a-f]{64})  (\S.*)")
# so many files are named in a refusal
_MOST_NAMED = 3
# what file managers and office programs leave behind is nobody's work
_LEFT_BEHIND, _THUMBNAILS = (".", "~$"), "Thumbs.db"


def check_own(folder: Path, inputs: Mapping[str, Path] = MappingProxyType({}), *, sums: str = SUMS) -> None:
    """Refuse a folder that is not new, nor empty, nor holds unchanged files of an earlier run alone.

    Names that begin with ``.`` or ``~$`` and ``Thumbs.db`` are passed over, with all that is in folders of such names.

    Parameters
    ----------
    folder : Path
        What is to be written.
    inputs : mapping of str to Path
        Files read, by argument: none may lie in the folder.
    sums : str
        Name of the file of checksums.

    Raises
    ------
    TableError
        Naming the files that are in the way, and what to do.
    """
    fix = "name another folder, or move the file away"
    if folder.exists() and not folder.is_dir():
        raise TableError(Fault("out", f"{folder} is a file", "a folder", "choose another name"))
    out = folder.resolve()
    faults = [
        Fault("out", f"{path}, read as {name}, lies in {folder}", "a folder without it", fix)
        for name, path in inputs.items()
        if out in path.resolve().parents
    ]
    for name, state in _in_the_way(folder, sums):
        allowed = "a new folder, or unchanged files of an earlier run alone"
        faults.append(Fault("out", f"{name} {state}: never written over", allowed, fix))
        if len(faults) == _MOST_NAMED:
            break
    if faults:
        raise TableError(faults)


def place(folder: Path, files: Mapping[str, bytes], *, sums: str = SUMS) -> tuple[Path, ...]:
    """Write the files and their checksums; what an earlier run wrote and this one does not is removed.

    A run that is broken off leaves a folder that the next one may write: the checksums of old and new files stand in
    it from the beginning to the end.

    Parameters
    ----------
    folder : Path
        A folder that :func:`check_own` lets pass; made if it is not there.
    files : mapping of str to bytes
        Content by name, folders by slashes; no name that :func:`check_own` passes over.
    sums : str
        Name of the file of checksums.

    Returns
    -------
    tuple of Path
        The files in their order, and their checksums.

    Raises
    ------
    TableError
        If the folder is refused.
    RetreatError
        If something cannot be written.
    """
    check_own(folder, sums=sums)
    new = {name: {sha256(content).hexdigest()} for name, content in files.items()}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        old = _sums(folder / sums)
        both = {name: old.get(name, set()) | new.get(name, set()) for name in {*old, *new}}
        write_whole(folder / sums, _lines(both))
        for name in old.keys() - new.keys():
            (folder / name).unlink(missing_ok=True)
        for name, content in files.items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            write_whole(folder / name, content)
        for inner in {(folder / name).parent for name in old.keys() - new.keys()} - {folder}:
            if inner.is_dir() and not any(inner.iterdir()):
                inner.rmdir()
        write_whole(folder / sums, _lines(new))
    except OSError as error:
        where = str(error.filename or folder)
        what = f"cannot be written ({error.strerror or error})"
        raise RetreatError(Fault(where, what, "a writable folder", "choose another")) from None
    return tuple(folder / name for name in (*files, sums))


def _in_the_way(folder: Path, sums: str) -> Iterator[tuple[str, str]]:
    """Names of files that no earlier run wrote, or that were changed since, and which of the two."""
    written = _sums(folder / sums)
    for name in _names(folder):
        path = folder / name
        if name == sums and not path.is_symlink():
            continue
        if name not in written or path.is_symlink():
            yield name, "is no file of an earlier run"
        elif sha256(path.read_bytes()).hexdigest() not in written[name]:
            yield name, "was changed since it was written"


def _names(folder: Path) -> Iterator[str]:
    for place_, inner, found in os.walk(folder):
        inner[:] = sorted(name for name in inner if not _passed_over(name))
        links = [name for name in inner if (Path(place_) / name).is_symlink()]
        for name in sorted([*found, *links]):
            if not _passed_over(name):
                yield (Path(place_) / name).relative_to(folder).as_posix()


def _passed_over(name: str) -> bool:
    return name.startswith(_LEFT_BEHIND) or name == _THUMBNAILS


def _sums(path: Path) -> dict[str, set[str]]:
    """Checksums of an earlier run by file; of one that was broken off, more than one a file."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return {}
    sums: dict[str, set[str]] = {}
    for line in text.splitlines():
        found = _LINE.fullmatch(line)
        # never a name that leads out of the folder, nor one that is passed over (.. is among these)
        if found and not Path(found[2]).is_absolute() and not any(map(_passed_over, Path(found[2]).parts)):
            sums.setdefault(found[2], set()).add(found[1])
    return sums


def _lines(sums: Mapping[str, set[str]]) -> bytes:
    lines = [f"{one}  {name}\n" for name, found in sorted(sums.items()) for one in sorted(found)]
    return "".join(lines).encode("utf-8")
