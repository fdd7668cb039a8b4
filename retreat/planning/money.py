"""Money, by the clinic's own prices: income a week, sessions a package must cover, and the price that covers them.

No price is built in. Nothing here says what a treatment should cost a patient.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError, TableError
from retreat.planning.backlog import Backlog, per_open_week, shares_of
from retreat.planning.capacity import newsvendor
from retreat.planning.demand import Demand, quantile
from retreat.planning.packages import (
    break_even,
    course_lengths,
    sessions_together,
    weekly_income,
)

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import Model

FloatArray = NDArray[np.float64]

ANY = "any"  # a package for every case type
_QUARTER = 13
# latest cases that stand for a kind
_MOST_CASES = 100
_MOST_EYES = 1000
_AMOUNTS = ("session", "session_cost", "idle_slot", "missing_slot")


@dataclass(frozen=True)
class Prices:
    """The clinic's own prices and costs, all in one currency; checked when made.

    Parameters
    ----------
    currency : str
        Written behind each amount.
    session : float, optional
        What is paid for an attended session.
    session_cost : float, optional
        What a session costs the clinic.
    packages : mapping of str to float
        Price of a whole course, by kind of opacity, or under ``"any"``.
    idle_slot, missing_slot : float, optional
        Cost of a slot opened and not needed, and of a slot needed and not open.
    confidence : float in (0, 1)
        Chance with which a package must cover its sessions.
    eyes : int, 1 to 1000
        Eyes over which it must do so together; 1 is each for itself.

    Raises
    ------
    FitError
        If an amount is below 0 or no number, or a share out of range; all faults at once.
    """

    currency: str = ""
    session: float | None = None
    session_cost: float | None = None
    packages: Mapping[str, float] = field(default_factory=dict)
    idle_slot: float | None = None
    missing_slot: float | None = None
    confidence: float = 0.9
    eyes: int = 1

    def __post_init__(self) -> None:
        amounts = {name: getattr(self, name) for name in _AMOUNTS}
        amounts |= {f"packages.{name}": price for name, price in self.packages.items()}
        faults = [
            Fault(f"prices {name}", f"{amount!r}", "an amount from 0, in the clinic's currency")
            for name, amount in amounts.items()
            if amount is not None and not (_is_number(amount) and amount >= 0)
        ]
        if not (_is_number(self.confidence) and 0 < self.confidence < 1):
            faults.append(
                Fault("prices confidence", f"{self.confidence!r}", "between 0 and 1, for example 0.9")
            )
        if not (
            isinstance(self.eyes, int) and not isinstance(self.eyes, bool) and 1 <= self.eyes <= _MOST_EYES
        ):
            faults.append(Fault("prices eyes", f"{self.eyes!r}", f"a whole number from 1 to {_MOST_EYES}"))
        if self.packages and self.session_cost is None:
            faults.append(
                Fault("prices packages", "no session_cost", "what a session costs", "add session_cost")
            )
        if faults:
            raise FitError(faults)


@dataclass(frozen=True)
class CourseRow:
    """Sessions of a course of one kind of case, and the package that covers them.

    Parameters
    ----------
    kind : str
        Kind of opacity.
    n_cases : int
        Cases of the record that stand for the kind.
    mean : float
        Sessions expected, from before the first.
    low, middle, high : int
        10%, 50% and 90% point for one eye.
    beyond : float in [0, 1]
        Chance of going on past the last session followed; such a course is counted as that many, so too low.
    break_even : float or None
        Least price of a package that covers its sessions with the chosen confidence.
    package, loss : float or None
        The clinic's price, and the chance that it does not cover the sessions of so many eyes together.
    """

    kind: str
    n_cases: int
    mean: float
    low: int
    middle: int
    high: int
    beyond: float
    break_even: float | None
    package: float | None
    loss: float | None


@dataclass(frozen=True)
class Money:
    """Income by week, courses by kind, and the number of slots that costs least.

    Parameters
    ----------
    prices : Prices
        As given.
    income : tuple of (float, float, float, float), one a week, or None
        Mean, 10%, 50% and 90% point of what attended sessions bring; None without a price of a session.
    courses : tuple of CourseRow
        By kind of opacity.
    best_slots : int or None
        Slots a week at the least expected cost of idle and missing ones; None without both costs.
    """

    prices: Prices
    income: tuple[tuple[float, float, float, float], ...] | None
    courses: tuple[CourseRow, ...]
    best_slots: int | None

    def to_json(self) -> dict[str, Any]:
        """Every number in plain lists."""
        return {
            "prices": asdict(self.prices) | {"packages": dict(self.prices.packages)},
            "income": None if self.income is None else [list(week) for week in self.income],
            "courses": [asdict(row) for row in self.courses],
            "best_slots": self.best_slots,
        }


def read_prices(path: str | Path) -> Prices:
    """Prices in a TOML file, with the names of :class:`Prices`.

    Raises
    ------
    TableError
        If the file cannot be read, is no TOML, or holds another name.
    FitError
        If a value is out of range.
    """
    source = Path(path)
    allowed = f"TOML with {', '.join(Prices.__dataclass_fields__)}"
    try:
        told = tomllib.loads(source.read_bytes().decode("utf-8"))
    except FileNotFoundError:
        raise TableError(Fault(str(source), "there is no such file", allowed)) from None
    except (OSError, ValueError) as error:
        raise TableError(Fault(str(source), f"cannot be read ({error})", allowed)) from None
    other = [name for name in told if name not in Prices.__dataclass_fields__]
    if other:
        raise TableError(Fault(str(source), f"no price is called {name}", allowed) for name in other)
    if not isinstance(told.get("packages", {}), dict) or not isinstance(told.get("currency", ""), str):
        raise TableError(Fault(str(source), "packages is no table, or currency no text", allowed))
    return Prices(**told)


def money_of(
    prices: Prices,
    model: Model,
    cases: pd.DataFrame,
    demand: Demand,
    missed: FloatArray,
    backlog: Backlog | None = None,
    slots: NDArray[np.int64] | None = None,
) -> Money:
    """What the prices make of a plan.

    Parameters
    ----------
    prices : Prices
        The clinic's own.
    model : Model
        Saved model.
    cases : DataFrame
        Case table; its latest cases of each kind stand for the kind.
    demand : Demand
        Slots needed.
    missed : ndarray of float, shape (weeks,)
        Chance that a booking of each week is missed.
    backlog : Backlog, optional
        What is done in each week where slots are limited: what is left waiting pays in a later one.
    slots : ndarray of int, shape (weeks,), optional
        Slots open; closed weeks pass what they need on to the next.
    """
    unknown = set(prices.packages) - set(cases["opacity"].unique()) - {ANY}
    if unknown:
        kinds = ", ".join(sorted(set(cases["opacity"].unique()))) + f", or {ANY}"
        raise FitError(
            Fault(f"prices packages.{name}", "no case of this kind", kinds) for name in sorted(unknown)
        )
    done = demand.weekly
    if backlog is not None:
        most = int(backlog.done.max(initial=0))
        done = np.stack([shares_of(week, most) for week in backlog.done.T])
    income = None if prices.session is None else weekly_income(done, prices.session, missed)
    best = None
    if prices.idle_slot is not None and prices.missing_slot is not None:
        pmf = demand.weekly[:_QUARTER].mean(axis=0)
        if backlog is not None and slots is not None and (slots[:_QUARTER] == 0).any():
            pmf = per_open_week(backlog.need[:, :_QUARTER], slots[:_QUARTER])
        best = newsvendor(pmf, idle_cost=prices.idle_slot, missing_cost=prices.missing_slot)
    return Money(prices, income, _courses(prices, model, cases), best)


def _courses(prices: Prices, model: Model, cases: pd.DataFrame) -> tuple[CourseRow, ...]:
    rows = []
    for kind in sorted(set(cases["opacity"].astype("str")) & {"ring", "strand", "cloud", "sheet"}):
        of_kind = cases[cases["opacity"] == kind].sort_values("started").tail(_MOST_CASES)
        pmf, beyond = course_lengths(model, of_kind)
        if not len(pmf):
            continue
        whole = pmf.mean(axis=0)
        package = prices.packages.get(kind, prices.packages.get(ANY))
        price = loss = None
        if prices.session_cost is not None:
            price = break_even(pmf, prices.session_cost, confidence=prices.confidence, eyes=prices.eyes)
            if package is not None:
                together = sessions_together(pmf, prices.eyes)
                costs = prices.session_cost * np.arange(len(together))
                loss = float(together[costs > package * prices.eyes + 1e-9].sum())
        low, middle, high = (int(quantile(whole, p)) for p in (0.1, 0.5, 0.9))
        mean = float(whole @ np.arange(len(whole)))
        rows.append(CourseRow(kind, len(of_kind), mean, low, middle, high, beyond, price, package, loss))
    return tuple(rows)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)
