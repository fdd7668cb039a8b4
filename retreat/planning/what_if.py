"""What a change would do: the clinic as it is and as it might be, run through the same chance events."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import timedelta
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from retreat.errors import Fault, FitError
from retreat.planning.capacity import WEEKDAYS, Clinic
from retreat.planning.courses import Case, Courses
from retreat.planning.queue import Waits, simulate

SCENARIOS = ("half_day", "closed_fortnight", "referrals", "second_operator", "triage")
_GROWTH = 1.2
_DAYS = 2
LEAST_RUNS = 10  # fewer give no interval worth showing (our judgement)


@dataclass(frozen=True)
class Effect:
    """Mean difference of one outcome, the change less the plan as it is.

    Parameters
    ----------
    mean : float
        Over the runs; NaN where no run has the outcome.
    low, high : float
        95% interval of the mean: error of the simulation, which more runs make smaller.
    low_run, high_run : float
        10% and 90% point of the difference in a single run: what one clinic might see.
    """

    mean: float
    low: float
    high: float
    low_run: float
    high_run: float


@dataclass(frozen=True)
class Difference:
    """What one change does.

    Parameters
    ----------
    name, words : str
        Name of the scenario; what is changed.
    first_wait : Effect
        Days to a first session.
    backlog : Effect
        Cases waiting at the end.
    idle : Effect
        Slots open and not used.
    """

    name: str
    words: str
    first_wait: Effect
    backlog: Effect
    idle: Effect

    def row(self) -> tuple[str, ...]:
        """Cells as shown: the change, and three mean differences with half their 95% interval."""
        return (self.words, *(_shown(effect) for effect in (self.first_wait, self.backlog, self.idle)))

    def to_json(self) -> dict[str, Any]:
        """Numbers in plain form, None where there is none."""
        plain = asdict(self)
        for name in ("first_wait", "backlog", "idle"):
            plain[name] = {k: None if v != v else v for k, v in plain[name].items()}
        return plain


def what_if(
    courses: Courses, clinic: Clinic, names: Sequence[str], *, now: Waits | None = None
) -> tuple[Difference, ...]:
    """Differences that changes make, run by run with common random numbers.

    `half_day` treats for half a day more on the first free day of the week; `closed_fortnight` closes weeks 2 and 3;
    `referrals` brings a fifth more new cases; `second_operator` treats on the first two free workdays, or on a
    second laser where none is free; `triage` does not take new cases with a sheet or an opacity below 1 mm.

    Parameters
    ----------
    courses : Courses
        From :func:`retreat.planning.courses.draw_courses`.
    clinic : Clinic
        As it is.
    names : sequence of str
        Of :data:`SCENARIOS`.
    now : Waits, optional
        Of the clinic as it is, where already simulated.

    Returns
    -------
    tuple of Difference

    Raises
    ------
    FitError
        If a name is not known, or there are fewer than 10 runs to compare.
    """
    unknown = [name for name in names if name not in SCENARIOS]
    if unknown:
        allowed = ", ".join(SCENARIOS)
        raise FitError(Fault("what_if", f"no scenario is called {name}", allowed) for name in unknown)
    if names and len(courses.runs) < LEAST_RUNS:
        raise FitError(Fault("runs", f"{len(courses.runs)}", f"at least {LEAST_RUNS} to compare changes"))
    before = simulate(courses, clinic) if now is None else now
    return tuple(_difference(name, before, courses, clinic) for name in names)


def paired(before: ArrayLike, after: ArrayLike) -> Effect:
    """Mean difference of paired runs with its 95% interval by Student's t, and the middle 80% of single differences.

    Examples
    --------
    >>> paired(np.array([1.0, 2.0, 3.0]), np.array([2.0, 3.0, 4.0]))
    Effect(mean=1.0, low=1.0, high=1.0, low_run=1.0, high_run=1.0)
    """
    change = np.asarray(after, dtype=float) - np.asarray(before, dtype=float)
    change = change[np.isfinite(change)]
    if not change.size:
        return Effect(*(float("nan"),) * 5)
    half = float("nan")
    if change.size > 1:
        from scipy.stats import t  # heavy: only whoever compares pays for it

        half = float(t.ppf(0.975, change.size - 1) * change.std(ddof=1) / np.sqrt(change.size))
    mean = float(change.mean())
    low, high = (float(np.quantile(change, p)) for p in (0.1, 0.9))
    return Effect(mean, mean - half, mean + half, low, high)


def _difference(name: str, before: Waits, courses: Courses, clinic: Clinic) -> Difference:
    words, changed, keep = _change(name, courses, clinic)
    after = simulate(courses, changed, keep=keep)
    return Difference(
        name,
        words,
        paired(before.first, after.first),
        paired(before.backlog[:, -1], after.backlog[:, -1]),
        paired(before.idle, after.idle),
    )


def _change(name: str, courses: Courses, clinic: Clinic) -> tuple[str, Clinic, Callable[[Case], bool] | None]:
    if name == "half_day":
        return *_half_day(clinic), None
    if name == "closed_fortnight":
        first = courses.start + timedelta(weeks=1)
        shut = tuple(first + timedelta(days=i) for i in range(14))
        return "closed in weeks 2 and 3", replace(clinic, closed=(*clinic.closed, *shut)), None
    if name == "referrals":
        return "a fifth more new cases", clinic, lambda case: not case.is_extra or case.mark < _GROWTH - 1
    if name == "second_operator":
        return *_second_operator(clinic), None
    return (
        "no new sheets, none below 1 mm",
        clinic,
        lambda case: not case.is_extra and not (case.is_first and case.is_slight),
    )


def _half_day(clinic: Clinic) -> tuple[str, Clinic]:
    """Half a day more, on the first day of the week that is free; where none is, on a Saturday made whole."""
    free = [day for day in range(6) if day not in clinic.weekdays]
    if free:
        changed = replace(clinic, half_days=(*clinic.half_days, free[0]))
    elif clinic.half_days:
        day = clinic.half_days[0]
        changed = replace(clinic, days=(*clinic.days, day), half_days=clinic.half_days[1:])
    else:
        return "half a day more on Sunday", replace(clinic, half_days=(6,))
    return f"half a day more ({changed.slots_a_week - clinic.slots_a_week} slots)", changed


def _second_operator(clinic: Clinic) -> tuple[str, Clinic]:
    free = [day for day in range(5) if day not in clinic.weekdays][:_DAYS]
    if not free:
        return "second operator, second laser", replace(clinic, machines=clinic.machines + 1)
    listed = ", ".join(WEEKDAYS[day] for day in free)
    return f"second operator ({listed})", replace(clinic, days=tuple(sorted({*clinic.days, *free})))


def _shown(effect: Effect) -> str:
    if effect.mean != effect.mean:
        return "none"
    half = (effect.high - effect.low) / 2
    return f"{effect.mean:+.1f}" if half != half else f"{effect.mean:+.1f} ± {half:.1f}"
