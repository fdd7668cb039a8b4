"""Fitting methods, one module each; every recipe method returns a `retreat.model.Model`.

Names are loaded on first use: the modules behind them import scikit-learn or PyMC.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from retreat.fitting.beta_geometric import BetaGeometric as BetaGeometric
    from retreat.fitting.logistic import LogisticHazard

_HOME = {
    "BetaGeometric": "retreat.fitting.beta_geometric",
    "LogisticHazard": "retreat.fitting.logistic",
}
# the estimators for any number of ends; BetaGeometric has one, and its own tests hold it to the same conventions
__all__ = ["LogisticHazard"]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
