"""Progress on stderr while something long runs; silent when stderr is no terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
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


@contextmanager
def counting(what: str) -> Iterator[Callable[[int, int], None]]:
    """Hand out a function that shows how many of these are done, with the time left."""
    if not sys.stderr.isatty():
        yield lambda done, total: None
        return
    from rich.console import Console  # heavy: only a terminal pays for it
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)
