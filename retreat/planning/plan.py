"""The plan of a clinic: slots needed week by week against slots open, who is overdue, and what to book."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.planning.capacity import Clinic, slots_open, slots_to_cover
from retreat.planning.dates import (
    check_not_later,
    first_monday,
    last_seen,
    start_days,
    visit_days,
)
from retreat.planning.demand import Demand, quantile
from retreat.planning.gaps import Gaps, assumed_gaps
from retreat.planning.money import Money, Prices, money_of

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import Model
    from retreat.planning.arrivals import Arrivals
    from retreat.planning.courses import Courses
    from retreat.planning.second_eyes import SecondEyes

SPANS = (4, 8, 13)
LEAST_WEEKS, MOST_WEEKS = 13, 52
COVER = 0.9
# simulated clinics where cases depend on each other: the error of a chance is then at most 0.012
_RUNS = 2000
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
        Eyes in treatment by sessions done.
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

    def __repr__(self) -> str:
        """One line."""
        return f"<Plan of {self.demand.weeks} weeks from {self.start.isoformat()} by {self.model_id}>"

    @property
    def shortage(self) -> NDArray[np.float64] | None:
        """Chance that each week needs more slots than are open, shape (weeks,); None without a clinic."""
        return None if self.slots is None else self.demand.beyond(self.slots)

    @property
    def cover(self) -> int:
        """Slots a week that are enough in nine weeks of ten over the next quarter."""
        return slots_to_cover(self.demand.weekly[: SPANS[-1]], COVER)

    @property
    def missed_share(self) -> NDArray[np.float64]:
        """Share of each week's bookings that will be missed, shape (weeks,); first sessions count when attended."""
        return _missed_share(self.demand, self.gaps, self.arrivals, self.second_eyes)

    @property
    def bookings(self) -> dict[str, float]:
        """Mean bookings of the first four weeks by whom they are for, and how many of them will be missed."""
        parts = {name: float(np.sum(values[: SPANS[0]])) for name, values in self.demand.parts.items()}
        missed = self.missed_share[: SPANS[0]] * self.demand.mean[: SPANS[0]]
        return parts | {"missed": float(missed.sum())}

    def table(self) -> pd.DataFrame:
        """One row a week: week, monday, mean, low95, low80, middle, high80, high95, and open, shortage if known."""
        import pandas as pd

        points = self.demand.quantiles(_POINTS)
        mondays = [(self.start + timedelta(weeks=w)).isoformat() for w in range(self.demand.weeks)]
        found = {"week": np.arange(1, self.demand.weeks + 1), "monday": mondays, "mean": self.demand.mean}
        found |= dict(zip(_NAMES, points, strict=True))
        if self.slots is not None:
            found |= {"open": self.slots, "shortage": self.shortage}
        return pd.DataFrame(found)

    def totals(self) -> pd.DataFrame:
        """One row for the next 4, 8 and 13 weeks: weeks, mean, low95 to high95, and open, shortage if known."""
        import pandas as pd

        rows = []
        for weeks in SPANS:
            pmf = self.demand.totals[weeks]
            n = np.arange(len(pmf))
            row: dict[str, float] = {"weeks": weeks, "mean": float(pmf @ n)}
            row |= {name: int(quantile(pmf, p)) for name, p in zip(_NAMES, _POINTS, strict=True)}
            if self.slots is not None:
                room = int(self.slots[:weeks].sum())
                row |= {"open": room, "shortage": float(pmf[n > room].sum())}
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
        from retreat.planning.second_eyes import SecondEyes

        kept, _ = _supported(model, cases)
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


def plan(
    model: Model,
    cases: pd.DataFrame,
    visits: pd.DataFrame | None = None,
    *,
    weeks: int = 26,
    clinic: Clinic | None = None,
    gap_weeks: float | None = None,
    today: date | str | None = None,
    prices: Prices | None = None,
    draws: int = 4000,
    seed: int = 1,
) -> Plan:
    """Slots a clinic needs in the weeks ahead, from its own tables and a saved model.

    Open cases are forecast given the sessions they have had; second eyes and new cases follow the clinic's own rates;
    gaps between sessions and missed bookings are learned from `visits`. Distributions are exact given the model's
    parameters and mixed over their draws.

    Parameters
    ----------
    model : Model
        Saved model.
    cases : DataFrame
        Case table with full dates in `started`.
    visits : DataFrame, optional
        Visit table; without it `gap_weeks` must be given.
    weeks : int, 13 to 52
        How far to plan.
    clinic : Clinic, optional
        What is open.
    gap_weeks : float, 1 to 52, optional
        Weeks between sessions, assumed instead of learned.
    today : date or ISO str, optional
        Day of the plan; by default the last day the tables tell of.
    prices : Prices, optional
        The clinic's own prices and costs.
    draws : int
        Parameter draws the distributions are mixed over.
    seed : int
        Seed of the draws.

    Returns
    -------
    Plan

    Raises
    ------
    FitError, TableError
        If the model failed its gates, the tables have faults, dates lie in the future, or gaps are neither in the
        tables nor given.
    """
    from retreat.tables import as_cases, as_visits

    cases = as_cases(cases)
    visits = None if visits is None else as_visits(visits, cases)
    return plan_of_sound(
        model,
        cases,
        visits,
        weeks=weeks,
        clinic=clinic,
        gap_weeks=gap_weeks,
        today=today,
        prices=prices,
        draws=draws,
        seed=seed,
    )


def plan_of_sound(
    model: Model,
    cases: pd.DataFrame,
    visits: pd.DataFrame | None = None,
    *,
    weeks: int = 26,
    clinic: Clinic | None = None,
    gap_weeks: float | None = None,
    today: date | str | None = None,
    prices: Prices | None = None,
    draws: int = 4000,
    seed: int = 1,
) -> Plan:
    """As :func:`plan`, of tables that have just been read and held against each other, and are not checked again.

    Parameters
    ----------
    model, weeks, clinic, gap_weeks, today, prices, draws, seed
        As for :func:`plan`.
    cases, visits : DataFrame
        Sound tables, as from `read_cases` and `read_visits`.

    Raises
    ------
    FitError
        As for :func:`plan`.
    """
    from retreat.model.request import check_usable
    from retreat.planning.arrivals import fit_arrivals
    from retreat.planning.demand import demand
    from retreat.planning.gaps import fit_gaps
    from retreat.planning.overdue import overdue
    from retreat.planning.second_eyes import first_starts, fit_second_eyes
    from retreat.version import VERSION

    check_usable(model.card)
    _check_weeks(weeks)
    cases, visits = _bare(cases), None if visits is None else _bare(visits)
    day = _today(today, cases, visits)
    if gap_weeks is not None:
        gaps = assumed_gaps(gap_weeks)
    elif visits is not None:
        gaps = fit_gaps(cases, visits, today=day)
    else:
        fix = (
            "give the visits, or the usual weeks between sessions (gap_weeks, --gap-weeks), marked as assumed"
        )
        raise FitError(
            Fault("visits", "no visits: the gaps between sessions are not known", "a visit table", fix)
        )
    gaps = _spaced(gaps, clinic)
    kept, left_out = _supported(model, cases)
    start = first_monday(day)
    arrivals = fit_arrivals(first_starts(cases), today=day, weeks=weeks, draws=draws, seed=seed)
    second = fit_second_eyes(cases, today=day, draws=draws, seed=seed)
    need = demand(
        model, kept, gaps, arrivals, second, today=day, weeks=weeks, visits=visits, draws=draws, seed=seed
    )
    if why := _dependence(model, clinic):
        from retreat.planning.dependent import counted
        from retreat.planning.patients import simulate

        eyes = "together" if clinic is not None and clinic.both_eyes_same_day else "apart"
        used = simulate(
            model,
            kept,
            gaps,
            arrivals,
            second,
            today=day,
            weeks=weeks,
            visits=visits,
            runs=_RUNS,
            seed=seed,
            eyes=eyes,  # type: ignore[arg-type]  # one of the two
        )
        need = counted(need, used, why=why)
    slots = None if clinic is None else slots_open(clinic, start, weeks)
    is_open = cases["ending"] == "ongoing"
    by_done = cases.loc[is_open, "sessions"].value_counts().sort_index()
    notes = (
        *gaps.notes,
        *arrivals.notes,
        *need.notes,
        *left_out,
        *_closed(slots, clinic),
    )
    found = model.card.validated
    return Plan(
        model_id=model.model_id,
        today=day,
        start=start,
        demand=need,
        gaps=gaps,
        arrivals=arrivals,
        eyes={int(done): int(by_done[done]) for done in sorted(by_done.index)},
        overdue=overdue(cases, visits, gaps, day),
        clinic=clinic,
        slots=slots,
        money=None
        if prices is None
        else money_of(prices, model, kept, need, _missed_share(need, gaps, arrivals, second), slots),
        notes=tuple(dict.fromkeys(notes)),
        cautions=model.card.cautions,
        standing=found.standing if found else "",
        retreat_version=VERSION,
        second_eyes=second,
    )


def _bare(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame without its attributes, which pandas would copy at every step."""
    found = frame.copy(deep=False)
    found.attrs = {}
    return found


def _check_weeks(weeks: int) -> None:
    if not isinstance(weeks, int) or isinstance(weeks, bool) or not LEAST_WEEKS <= weeks <= MOST_WEEKS:
        allowed = f"a whole number of weeks from {LEAST_WEEKS} to {MOST_WEEKS}"
        raise FitError(Fault("weeks", f"{weeks!r}", allowed))


def _today(today: date | str | None, cases: pd.DataFrame, visits: pd.DataFrame | None) -> date:
    """The day of the plan; no date of the tables lies after it, and none after the real day."""
    if isinstance(today, str):
        try:
            today = date.fromisoformat(today)
        except ValueError:
            raise FitError(Fault("today", f"{today!r}", "an ISO date such as 2026-11-25")) from None
    limit = today or date.today()
    check_not_later(start_days(cases), limit, where="started")
    if visits is not None:
        check_not_later(visit_days(cases, visits), limit, where="visits.day")
    return today or last_seen(cases, visits)


def _spaced(gaps: Gaps, clinic: Clinic | None) -> Gaps:
    """Gaps with those below the clinic's least gap put on it."""
    least = 0 if clinic is None else clinic.min_gap_weeks
    if least <= 1 or not gaps.pmf[:least].any():
        return gaps
    pmf = np.zeros(max(len(gaps.pmf), least + 1))
    pmf[: len(gaps.pmf)] = gaps.pmf
    pmf[least] += pmf[:least].sum()
    pmf[:least] = 0.0
    told = f"gaps below {least} weeks are planned as {least}, the least the clinic allows"
    return replace(gaps, pmf=pmf, notes=(*gaps.notes, told))


def _supported(model: Model, cases: pd.DataFrame) -> tuple[pd.DataFrame, tuple[str, ...]]:
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


def _dependence(model: Model, clinic: Clinic | None) -> str:
    """What makes cases depend on each other given the parameters; empty where nothing does."""
    if clinic is not None and clinic.both_eyes_same_day:
        return "both eyes of a patient are treated on one day"
    return "two eyes of a patient are alike" if model.parameters.patient_loading.any() else ""


def _missed_share(
    need: Demand, gaps: Gaps, arrivals: Arrivals, second: SecondEyes | None
) -> NDArray[np.float64]:
    first = arrivals.rate[:, : need.weeks].mean(axis=0)
    if second is not None:
        first = first + float(second.rate.mean()) * second.eligible
    mean = np.maximum(need.mean, 1e-12)
    return np.asarray(gaps.missed * np.clip(1.0 - first / mean, 0.0, 1.0))


def _closed(slots: NDArray[np.int64] | None, clinic: Clinic | None) -> tuple[str, ...]:
    if slots is None or clinic is None:
        return ()
    if clinic.slots_a_week == 0:
        return ("no slot is ever open: every slot needed is missing",)
    shut = [w + 1 for w in np.flatnonzero(slots == 0)]
    if not shut:
        return ()
    listed = ", ".join(map(str, shut[:8])) + (f" and {len(shut) - 8} more" if len(shut) > 8 else "")
    return (f"closed all week in week{'' if len(shut) == 1 else 's'} {listed}: what falls due then waits",)


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        {str(k): None if isinstance(v, float) and math.isnan(v) else v for k, v in row.items()}
        for row in frame.astype(object).to_dict("records")
    ]
