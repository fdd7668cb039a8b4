"""The plan of a clinic: slots needed week by week against slots open, who is overdue, and what to book."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.planning.capacity import Clinic, slots_open
from retreat.planning.dates import first_monday
from retreat.planning.gaps import Gaps, assumed_gaps
from retreat.planning.money import Prices, money_of
from retreat.planning.planned import Plan, missed_share, supported

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import Model

__all__ = ["Plan", "plan", "plan_of_sound"]

LEAST_WEEKS, MOST_WEEKS = 13, 52
# simulated clinics where cases depend on each other: the error of a chance is then at most 0.011; and those behind the
# work left waiting: at most 0.016
_RUNS, _RUNS_OF_BACKLOG = 2000, 1000
# fewer, at least 200, where so many eyes in all runs would take more than 100 MB
_MOST_EYES, _LEAST_RUNS = 2_000_000, 200


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
        Weeks between sessions, assumed instead of learned; who returns and what is missed is still learned from
        visits where they are given and hold enough.
    today : date or ISO str, optional
        Day of the plan, not one to come; by default the last day the tables tell of. Week 1 begins on the Monday
        after it.
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
    from retreat.planning import overdue
    from retreat.planning.arrivals import fit_arrivals
    from retreat.planning.backlog import carried
    from retreat.planning.day_of_plan import day_of_plan
    from retreat.planning.demand import demand
    from retreat.planning.dependent import counted
    from retreat.planning.full_weeks import full_weeks
    from retreat.planning.patients import simulate
    from retreat.planning.second_eyes import first_starts, fit_second_eyes
    from retreat.planning.standing import open_cases
    from retreat.version import VERSION

    check_usable(model.card)
    _check_weeks(weeks)
    cases, visits = _bare(cases), None if visits is None else _bare(visits)
    day, of_day = day_of_plan(today, cases, visits)
    gaps = _spaced(_gaps(cases, visits, gap_weeks, day, seed), clinic)
    kept, left_out = supported(model, cases)
    start = first_monday(day)
    second = fit_second_eyes(cases, today=day, draws=draws, seed=seed)
    arrivals = fit_arrivals(
        first_starts(cases), today=day, weeks=weeks, second_eyes=second, draws=draws, seed=seed
    )
    need = demand(
        model, kept, gaps, arrivals, second, today=day, weeks=weeks, visits=visits, draws=draws, seed=seed
    )
    slots = None if clinic is None else slots_open(clinic, start, weeks)
    full = None if clinic is None else full_weeks(cases, visits, clinic, day)
    backlog = None
    why = _dependence(model, clinic)
    if why or slots is not None:
        used = simulate(
            model, kept, gaps, arrivals, second, today=day, weeks=weeks, visits=visits,
            runs=_runs(_RUNS if why else _RUNS_OF_BACKLOG, need.n_open), seed=seed,
            eyes="together" if clinic is not None and clinic.both_eyes_same_day else "apart",
        )  # fmt: skip
        need = counted(need, used, why=why) if why else need
        backlog = None if slots is None else carried(used, slots)
    money = None
    if prices is not None:
        missed = missed_share(need, gaps, arrivals, second)
        money = money_of(prices, model, kept, need, missed, backlog, slots)
    standing = open_cases(cases, gaps, today=day, visits=visits)
    quiet = overdue.silent(standing, gaps)
    by_done = standing.cases["sessions"][~quiet].value_counts().sort_index()
    notes = (
        *of_day,
        *gaps.notes,
        *arrivals.notes,
        *need.notes,
        *left_out,
        *((full.note,) if full is not None and full.bound else ()),
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
        eyes={int(done): int(by_done[done]) for done in by_done.index},
        overdue=overdue.overdue(standing, gaps),
        clinic=clinic,
        slots=slots,
        money=money,
        notes=tuple(dict.fromkeys(notes)),
        cautions=model.card.cautions,
        standing=found.standing if found else "",
        retreat_version=VERSION,
        second_eyes=second,
        backlog=backlog,
        full_weeks=full,
        n_silent=int(quiet.sum()),
        silent_after=overdue.within(gaps.pmf, overdue.SILENT),
        n_not_known=overdue.not_known(standing),
    )


def _gaps(
    cases: pd.DataFrame, visits: pd.DataFrame | None, gap_weeks: float | None, day: date, seed: int
) -> Gaps:
    """Learned from the visits, or the gap assumed with as much learned as the visits bear."""
    from retreat.planning.gap_fit import fit_gaps

    if visits is None:
        if gap_weeks is not None:
            return assumed_gaps(gap_weeks)
        fix = (
            "give the visits, or the usual weeks between sessions (gap_weeks, --gap-weeks), marked as assumed"
        )
        what = "no visits: the gaps between sessions are not known"
        raise FitError(Fault("visits", what, "a visit table", fix))
    if gap_weeks is None:
        return fit_gaps(cases, visits, today=day, seed=seed)
    assumed = assumed_gaps(gap_weeks)
    try:
        learned = fit_gaps(cases, visits, today=day, seed=seed)
    except FitError:  # too few gaps to learn from
        return assumed
    return assumed_gaps(gap_weeks, learned=learned)


def _bare(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame without its attributes, which pandas would copy at every step."""
    found = frame.copy(deep=False)
    found.attrs = {}
    return found


def _check_weeks(weeks: int) -> None:
    if not isinstance(weeks, int) or isinstance(weeks, bool) or not LEAST_WEEKS <= weeks <= MOST_WEEKS:
        allowed = f"a whole number of weeks from {LEAST_WEEKS} to {MOST_WEEKS}"
        raise FitError(Fault("weeks", f"{weeks!r}", allowed))


def _spaced(gaps: Gaps, clinic: Clinic | None) -> Gaps:
    """Gaps with those below the clinic's least gap put on it."""
    least = 0 if clinic is None else clinic.min_gap_weeks
    if least <= 1 or not gaps.pmf[:least].any():
        return gaps
    told = f"gaps below {least} calendar weeks are planned as {least}, the least the clinic allows"
    return replace(gaps.changed(lambda law: _at_least(least, law)), notes=(*gaps.notes, told))


def _at_least(least: int, gaps: Gaps) -> Gaps:
    pmf = np.zeros(max(len(gaps.pmf), least + 1))
    pmf[: len(gaps.pmf)] = gaps.pmf
    pmf[least] += pmf[:least].sum()
    pmf[:least] = 0.0
    return replace(gaps, pmf=pmf)


def _dependence(model: Model, clinic: Clinic | None) -> str:
    """What makes cases depend on each other given the parameters; empty where nothing does."""
    if clinic is not None and clinic.both_eyes_same_day:
        return "both eyes of a patient are treated on one day"
    return "two eyes of a patient are alike" if model.parameters.patient_loading.any() else ""


def _runs(wanted: int, n_open: int) -> int:
    return max(_LEAST_RUNS, min(wanted, _MOST_EYES // max(1, n_open)))


def _closed(slots: NDArray[np.int64] | None, clinic: Clinic | None) -> tuple[str, ...]:
    if slots is None or clinic is None:
        return ()
    if clinic.slots_a_week == 0:
        return ("no slot is ever open: every slot needed is missing",)
    shut = [w + 1 for w in np.flatnonzero(slots == 0)]
    if not shut:
        return ()
    listed = ", ".join(map(str, shut[:8])) + (f" and {len(shut) - 8} more" if len(shut) > 8 else "")
    plural = "" if len(shut) == 1 else "s"
    return (f"closed all week in week{plural} {listed}: what falls due then waits for the week after",)
