"""Fitting methods, one module each; every recipe method returns a `retreat.model.Model`.

Names are loaded on first use: the modules behind them import scikit-learn or PyMC.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from retreat.fitting.logistic import LogisticHazard

_HOME = {"LogisticHazard": "retreat.fitting.logistic"}
__all__ = ["LogisticHazard"]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
