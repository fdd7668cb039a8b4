"""What a call of the command line left, and the call."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Outcome:
    """What a call of the command line left."""

    code: int
    out: str
    err: str


Run = Callable[..., Outcome]
