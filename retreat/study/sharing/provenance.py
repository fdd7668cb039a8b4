"""What made a folder: versions, and a checksum of the program itself."""

from __future__ import annotations

import platform
from functools import cache
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path
from typing import Any

import retreat
from retreat.version import VERSION

# what the numbers of a folder rest on
_LIBRARIES = ("numpy", "pandas")


def made_by() -> dict[str, Any]:
    """Version, checksum of the code, and libraries; no date and no machine.

    Examples
    --------
    >>> sorted(made_by())
    ['code_sha256', 'libraries', 'program', 'python', 'version']
    """
    return {
        "program": "retreat",
        "version": VERSION,
        "code_sha256": code_checksum(),
        "python": platform.python_version(),
        "libraries": {name: version(name) for name in _LIBRARIES},
    }


@cache
def code_checksum() -> str:
    """SHA-256 over the package's Python files, by name: two folders with the same one were made by the same program."""
    home = Path(retreat.__file__).parent
    digest = sha256()
    for path in sorted(home.rglob("*.py"), key=lambda path: path.relative_to(home).as_posix()):
        digest.update(path.relative_to(home).as_posix().encode() + b"\0")
        digest.update(sha256(path.read_bytes()).digest())
    return digest.hexdigest()
