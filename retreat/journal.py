"""Files of one folder changed together or not at all, whenever the process is killed.

Each new content is first written beside its file (``.NAME.staged``). Then a journal (``.retreat-journal``) names them
all: renaming it into place is the moment the change happens. Only then do the staged files take their places, and the
journal goes. Killed before that moment, all files are as they were; killed after it, `finish` carries on with the
renames, and `read_settled` meanwhile reads each file as it will be.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from shutil import copymode

from retreat.errors import Fault, TableError
from retreat.files import write_whole

JOURNAL = ".retreat-journal"
_FORMAT, _VERSION = "retreat-journal", 1


@dataclass(frozen=True)
class Replacement:
    """A file and its new content.

    Parameters
    ----------
    path : Path
        The file; made if it is not there.
    before : bytes or None
        What it must hold for the change to be made; None where that does not matter.
    after : bytes
        What it holds then.
    like : Path or None
        File whose permissions a new file takes.
    """

    path: Path
    before: bytes | None
    after: bytes
    like: Path | None = None


@dataclass(frozen=True)
class _Step:
    """One line of the journal: checksums of what the file held and will hold."""

    name: str
    before: str | None
    after: str


def checksum(content: bytes) -> str:
    """SHA-256 as hexadecimal text.

    Examples
    --------
    >>> checksum(b"")[:8]
    'e3b0c442'
    """
    return sha256(content).hexdigest()


def replace_together(replacements: Iterable[Replacement]) -> None:
    """Give several files of one folder their new contents, all or none.

    The caller holds a lock of its own and has called `finish`.

    Parameters
    ----------
    replacements : iterable of Replacement
        Of files in one folder.

    Raises
    ------
    TableError
        If a file no longer holds what it did, or the change was made but a file could not be put in its place yet.
    OSError
        If the new contents cannot be written; then nothing has changed.
    """
    changes = tuple(replacements)
    folder = changes[0].path.parent
    staged = [_staged(change.path) for change in changes]
    try:
        for change, beside in zip(changes, staged, strict=True):
            write_like(beside, change.after, change.path if change.path.exists() else change.like)
        for change in changes:
            if change.before is not None and change.path.read_bytes() != change.before:
                what = "the file was changed by another program in this very moment; nothing was written"
                raise TableError(Fault(str(change.path), what, fix="close the other program and try again"))
        write_whole(folder / JOURNAL, _journal_of(changes))
    except BaseException:
        # the journal first: an interruption may come just after it took its place
        (folder / JOURNAL).unlink(missing_ok=True)
        for beside in staged:
            beside.unlink(missing_ok=True)
        raise
    finish(folder)


def finish(folder: Path) -> None:
    """Carry an interrupted change of files in this folder to its end; does nothing if there is none.

    Parameters
    ----------
    folder : Path
        Where the files are.

    Raises
    ------
    TableError
        If a file was changed by hand since, cannot be put in its place, or the journal is damaged.
    """
    steps = _read_journal(folder)
    if steps is None:
        return
    _sync(folder)
    waiting = [step for step in steps if _staged(folder / step.name).exists()]
    for step in waiting:
        _refuse_other_contents(folder, step)
    for step in waiting:
        try:
            _staged(folder / step.name).replace(folder / step.name)
        except OSError as error:
            what = f"the change is kept, but the file cannot be put in its place ({error.strerror or error})"
            fix = "do not repeat it: close the program that holds the file, and run any retreat log"
            raise TableError(Fault(str(folder / step.name), what, "", fix)) from None
    _sync(folder)
    (folder / JOURNAL).unlink()


def read_settled(path: Path) -> bytes:
    """Content of a file once an interrupted change of it is finished; nothing is written.

    Parameters
    ----------
    path : Path
        Any file.

    Raises
    ------
    OSError
        If it cannot be read.
    TableError
        If there is a journal beside it, but a damaged one.
    """
    path = path.resolve()
    for step in _read_journal(path.parent) or ():
        if step.name == path.name:
            # without a staged file its change has been made
            with suppress(FileNotFoundError):
                staged = _staged(path).read_bytes()
                if step.before is None or step.before == checksum(path.read_bytes()):
                    return staged
    return path.read_bytes()


def write_like(path: Path, content: bytes, model: Path | None) -> None:
    """Write a file anew, with the permissions of another.

    Parameters
    ----------
    path : Path
        Where; a file of that name is removed first.
    content : bytes
        What.
    model : Path or None
        The other file; None for the permissions the process gives to new files.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    path.unlink(missing_ok=True)
    # what only its owner may read must not lie open under another name, not even for a moment
    mode = 0o666 if model is None else 0o600
    with open(path, "xb", opener=lambda name, flags: os.open(name, flags, mode)) as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())
    if model is not None:
        copymode(model, path)


def _staged(path: Path) -> Path:
    return path.with_name(f".{path.name}.staged")


def _journal_of(changes: Iterable[Replacement]) -> bytes:
    files = [
        {
            "name": change.path.name,
            "before": None if change.before is None else checksum(change.before),
            "after": checksum(change.after),
        }
        for change in changes
    ]
    return json.dumps({"format": _FORMAT, "version": _VERSION, "files": files}).encode()


def _read_journal(folder: Path) -> tuple[_Step, ...] | None:
    """Lines of the journal; None if there is none."""
    path = folder / JOURNAL
    try:
        data = json.loads(path.read_bytes())
        if data["format"] != _FORMAT or data["version"] != _VERSION:
            raise ValueError("another form")
        steps = tuple(_Step(one["name"], one["before"], one["after"]) for one in data["files"])
        if any(Path(step.name).name != step.name for step in steps):
            raise ValueError("a name with a folder in it")
    except (FileNotFoundError, NotADirectoryError):
        return None
    except (ValueError, TypeError, LookupError):
        what, fix = "this journal of an unfinished change is damaged", "look at the files, then delete it"
        raise TableError(Fault(str(path), what, f"a {_FORMAT} of version {_VERSION}", fix)) from None
    return steps


def _refuse_other_contents(folder: Path, step: _Step) -> None:
    """Refuse to overwrite what was changed by hand while a change was unfinished."""
    path, staged = folder / step.name, _staged(folder / step.name)
    fix = f"keep it or {staged.name}, whichever is right, under its name; then delete {JOURNAL}"
    if checksum(staged.read_bytes()) != step.after:
        what = f"{staged.name}, the new content of this file, is damaged"
        raise TableError(Fault(str(path), what, "", fix))
    if step.before is not None and (not path.exists() or checksum(path.read_bytes()) != step.before):
        what = "the file was changed by hand while a change of it was unfinished"
        raise TableError(Fault(str(path), what, "", fix))


def _sync(folder: Path) -> None:
    """Make renames outlast a loss of power, where the system can."""
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
