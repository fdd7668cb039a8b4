"""A plan as it was made: what a clinic needs week by week, and the tables, words and lists it is told in."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat.planning.backlog import Backlog, enough_a_week
from retreat.planning.capacity import Clinic, slots_to_cover
from retreat.planning.demand import SPANS, Demand, quantile
from retreat.planning.full_weeks import FullWeeks
from retreat.planning.gaps import Gaps
from retreat.planning.money import Money
from retreat.planning.second_eyes import SecondEyes, begins

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import Model
    from retreat.planning.arrivals import Arrivals
    from retreat.planning.courses import Courses

COVER = 0.9
_POINTS = (0.025, 0.1, 0.5, 0.9, 0.975)
_NAMES = ("low95", "low80", "middle", "high80", "high95")


@dataclass(frozen=True)
class Plan:
    """What a clinic needs in the weeks ahead, against what it opens.

    Parameters
    ----------
    model_id : str
        Fingerprint of the model.
    today, start : date
        Last day the plan knows of; Monday of week 1.
    demand : Demand
        Distribution of the slots needed.
    gaps : Gaps
        Weeks between sessions, and missed bookings.
    arrivals : Arrivals
        New starts a week.
    eyes : mapping of int to int
        Eyes in treatment by sessions done, 0 for those waiting for the first; without those long silent.
    overdue : DataFrame
        From :func:`retreat.planning.overdue.overdue`.
    clinic : Clinic or None
        None where no capacity was given.
    slots : ndarray of int, shape (weeks,), or None
        Slots open.
    money : Money or None
        None where no prices were given.
    notes, cautions : tuple of str
        What to know of this plan; what to know of the model.
    standing : str
        Verdict of the model's validation; empty where there was none.
    retreat_version : str
        Version of the package.
    second_eyes : SecondEyes or None
        How often the other eye follows.
    backlog : Backlog or None
        Work carried from week to week in simulated clinics; None where no capacity was given.
    full_weeks : FullWeeks or None
        How many past weeks were full; None where no capacity was given.
    n_silent, silent_after : int
        Open cases not booked for longer than so many weeks, which 1 in 100 of those who come back exceed.
    n_not_known : int
        Open cases whose last booking is not known, so that none of them is called overdue.
    """

    model_id: str
    today: date
    start: date
    demand: Demand
    gaps: Gaps
    arrivals: Arrivals
    eyes: dict[int, int]
    overdue: pd.DataFrame
    clinic: Clinic | None = None
    slots: NDArray[np.int64] | None = None
    money: Money | None = None
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    standing: str = ""
    retreat_version: str = ""
    second_eyes: SecondEyes | None = field(default=None, repr=False)
    backlog: Backlog | None = field(default=None, repr=False)
    full_weeks: FullWeeks | None = None
    n_silent: int = 0
    silent_after: int = 0
    n_not_known: int = 0

    def __repr__(self) -> str:
        """One line."""
        return f"<Plan of {self.demand.weeks} weeks from {self.start.isoformat()} by {self.model_id}>"

    @property
    def beyond(self) -> NDArray[np.float64] | None:
        """Chance that what falls due in each week alone is more than is open, shape (weeks,); None without a clinic."""
        return None if self.slots is None else self.demand.beyond(self.slots)

    @property
    def cover(self) -> int:
        """Slots a week that are enough in nine weeks of ten over the next quarter.

        With a clinic, slots of a week without closure with which nine of ten open weeks end with nothing left waiting,
        what closed weeks leave included.
        """
        if self.backlog is None or self.slots is None or self.clinic is None:
            return slots_to_cover(self.demand.weekly[: SPANS[-1]], COVER)
        opened = self.slots[: SPANS[-1]] / max(1, self.clinic.slots_a_week)
        if not opened.any():
            return slots_to_cover(self.demand.weekly[: SPANS[-1]], COVER)
        return enough_a_week(self.backlog.need[:, : SPANS[-1]], opened, COVER)

    @property
    def missed_share(self) -> NDArray[np.float64]:
        """Share of each week's bookings that will be missed, shape (weeks,); first sessions count when attended."""
        return missed_share(self.demand, self.gaps, self.arrivals, self.second_eyes)

    @property
    def bookings(self) -> dict[str, float]:
        """Mean bookings of the first four weeks by whom they are for, and how many of them will be missed."""
        parts = {name: float(np.sum(values[: SPANS[0]])) for name, values in self.demand.parts.items()}
        missed = self.missed_share[: SPANS[0]] * self.demand.mean[: SPANS[0]]
        return parts | {"missed": float(missed.sum())}

    def table(self) -> pd.DataFrame:
        """One row a week: week, monday, mean, low95, low80, middle, high80, high95 of what falls due.

        With a clinic also open, beyond (chance that what falls due in the week alone is more than is open), left
        (chance that work is left waiting at its end, what earlier weeks left included) and mean_left (slots).
        """
        import pandas as pd

        points = self.demand.quantiles(_POINTS)
        mondays = [(self.start + timedelta(weeks=w)).isoformat() for w in range(self.demand.weeks)]
        found = {"week": np.arange(1, self.demand.weeks + 1), "monday": mondays, "mean": self.demand.mean}
        found |= dict(zip(_NAMES, points, strict=True))
        if self.slots is not None:
            found |= {"open": self.slots, "beyond": self.beyond}
        if self.backlog is not None:
            found |= {"left": self.backlog.waiting, "mean_left": self.backlog.mean_left}
        return pd.DataFrame(found)

    def totals(self) -> pd.DataFrame:
        """One row for the next 4, 8 and 13 weeks: weeks, mean, low95 to high95 of what falls due.

        With a clinic also open, left (chance that work is left waiting at the end of the span) and ever_left (at the
        end of at least one of its weeks).
        """
        import pandas as pd

        rows = []
        for weeks in SPANS:
            pmf = self.demand.totals[weeks]
            n = np.arange(len(pmf))
            row: dict[str, float] = {"weeks": weeks, "mean": float(pmf @ n)}
            row |= {name: int(quantile(pmf, p)) for name, p in zip(_NAMES, _POINTS, strict=True)}
            if self.slots is not None:
                row |= {"open": int(self.slots[:weeks].sum())}
            if self.backlog is not None:
                row |= {
                    "left": float(self.backlog.waiting[weeks - 1]),
                    "ever_left": self.backlog.ever(weeks),
                }
            rows.append(row)
        return pd.DataFrame(rows)

    def courses(
        self,
        model: Model,
        cases: pd.DataFrame,
        visits: pd.DataFrame | None = None,
        *,
        runs: int = 40,
        seed: int = 1,
    ) -> Courses:
        """Chance events for a simulation of waiting, from the tables the plan was made from.

        Parameters
        ----------
        model : Model
            The model of the plan.
        cases, visits : DataFrame
            The tables of the plan.
        runs : int, at least 1
            Simulated clinics.
        seed : int
            Seed of everything.
        """
        from retreat.planning.courses import draw_courses

        kept, _ = supported(model, cases)
        return draw_courses(
            model,
            kept,
            visits,
            self.gaps,
            self.arrivals,
            self.second_eyes or SecondEyes.none(),
            today=self.today,
            weeks=self.demand.weeks,
            runs=runs,
            both_eyes_same_day=self.clinic is not None and self.clinic.both_eyes_same_day,
            seed=seed,
        )

    def words(self) -> tuple[str, ...]:
        """The plan in sentences."""
        from retreat.planning.wording import sentences

        return sentences(self)

    def to_json(self) -> dict[str, Any]:
        """Every number of the plan in plain lists; the list of the overdue holds keys of cases."""
        return {
            "model": self.model_id,
            "today": self.today.isoformat(),
            "start": self.start.isoformat(),
            "cautions": list(self.cautions),
            "validated": self.standing,
            "notes": list(self.notes),
            "weeks": _records(self.table()),
            "totals": _records(self.totals()),
            "cover": {"share": COVER, "slots_a_week": self.cover},
            "eyes_by_sessions_done": {str(done): n for done, n in self.eyes.items()},
            "silent": {"cases": self.n_silent, "weeks": self.silent_after},
            "overdue_not_known": self.n_not_known,
            "full_weeks": None if self.full_weeks is None else vars(self.full_weeks),
            "overdue": _records(self.overdue),
            "bookings": self.bookings,
            "gaps": {
                "returning": float(self.gaps.returning),
                "missed": float(self.gaps.missed),
                "assumed": self.gaps.assumed,
                "n_gaps": self.gaps.n_gaps,
                "n_censored": self.gaps.n_censored,
            },
            "money": None if self.money is None else self.money.to_json(),
        }


def missed_share(
    need: Demand, gaps: Gaps, arrivals: Arrivals, second: SecondEyes | None
) -> NDArray[np.float64]:
    """Share of each week's bookings that will be missed, shape (weeks,)."""
    first = arrivals.rate[:, : need.weeks].mean(axis=0)
    if second is not None:
        lag = begins(second.chance, second.after_start(need.weeks)).mean(axis=0)
        first = first + np.convolve(first, lag)[: need.weeks] + second.mean_begun(need.weeks)
    mean = np.maximum(need.mean, 1e-12)
    return np.asarray(gaps.missed * np.clip(1.0 - first / mean, 0.0, 1.0))


def supported(model: Model, cases: pd.DataFrame) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Cases without the open ones that the model refuses, and how many those are."""
    is_open = (cases["ending"] == "ongoing").to_numpy()
    if not is_open.any():
        return cases, ()
    refused = np.zeros(len(cases), dtype=bool)
    refused[is_open] = [bool(one.refusals) for one in model.support_of(cases[is_open])]
    if not refused.any():
        return cases, ()
    plural = "open case lies" if refused.sum() == 1 else "open cases lie"
    told = f"{int(refused.sum())} {plural} outside what the model saw and is not in the numbers"
    return cases[~refused].reset_index(drop=True), (told,)


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        {str(k): None if isinstance(v, float) and math.isnan(v) else v for k, v in row.items()}
        for row in frame.astype(object).to_dict("records")
    ]
