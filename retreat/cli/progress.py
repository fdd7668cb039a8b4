"""Progress on stderr while something long runs; silent when stderr is no terminal."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def working(what: str) -> Iterator[None]:
    """Show a spinner with these words."""
    if not sys.stderr.isatty():
        yield
        return
    from rich.console import Console  # heavy: only a terminal pays for it

    with Console(stderr=True).status(what):
        yield
