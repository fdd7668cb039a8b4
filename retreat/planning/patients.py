"""Whole patients simulated week by week, where cases do not go on independently: two eyes, one factor, one day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from retreat.planning.arrivals import Arrivals
from retreat.planning.demand import new_course, open_cases
from retreat.planning.gaps import Gaps
from retreat.planning.second_eyes import SecondEyes
from retreat.planning.staying import staying_by_node
from retreat.planning.timetable import sessions_within

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import Model
    from retreat.planning.demand import OpenCases

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# draws of the parameters that runs are spread over, fewer where each is taken at 25 nodes of the patient effect
_DRAWS, _DRAWS_OF_PATIENTS = 500, 100
_NEVER = 1_000_000


def simulate(
    model: Model,
    cases: pd.DataFrame,
    gaps: Gaps,
    arrivals: Arrivals,
    second_eyes: SecondEyes,
    *,
    today: date,
    weeks: int = 26,
    visits: pd.DataFrame | None = None,
    runs: int = 2000,
    seed: int = 1,
    eyes: Literal["apart", "together"] = "apart",
) -> IntArray:
    """Slots used in each week of each simulated run.

    All cases of a run share a draw of the parameters, so also the effect of an operator not seen before. A patient's
    open eyes share how hard they are: it is drawn from what the sessions done of both tell. Where the model knows no
    such factor and eyes are booked apart, the runs follow the distribution that
    :func:`retreat.planning.demand.demand` gives exactly. Eyes that begin later stand by themselves.

    Parameters
    ----------
    model, cases, gaps, arrivals, second_eyes, today, weeks, visits
        As for :func:`retreat.planning.demand.demand`.
    runs : int
        Simulated clinics.
    seed : int
        Of all that is drawn: the same seed gives the same runs.
    eyes : {"apart", "together"}
        Together: two open eyes of a patient are booked for one day, each using a slot, as long as both go on.

    Returns
    -------
    ndarray of int, shape (runs, weeks)

    Raises
    ------
    FitError
        As for :func:`retreat.planning.demand.demand`.
    """
    arrivals.check_reaches(weeks)
    rng = np.random.default_rng([seed, 54])
    standing = open_cases(cases, gaps, today=today, visits=visits)
    further = sessions_within(gaps, weeks)
    most = _DRAWS_OF_PATIENTS if model.parameters.patient_loading.any() else _DRAWS
    draws = min(most, model.parameters.n_draws, runs)
    draw = rng.permutation(np.arange(runs) * draws // runs)
    opened = _open(model, standing, gaps, draw, draws, further, rng)
    later = _starting(arrivals, second_eyes, runs, weeks, rng)
    course = new_course(model, cases, further, draws, arrivals, second_eyes)
    with_first = np.concatenate([np.ones((draws, 1)), course], axis=1)  # the first session is always needed
    begun = _Eyes(later[0], later[1], with_first[draw[later[0]]], np.full(len(later[0]), -1))
    out = np.zeros((runs, weeks), dtype=np.int64)
    _run(opened, gaps, out, rng, pairs=eyes == "together")
    _run(begun, gaps, out, rng, pairs=False, first_is_kept=True)
    return out


@dataclass
class _Eyes:
    """Eyes of all runs in one list; `due` changes as the weeks pass."""

    run: IntArray  # (eyes,)
    due: IntArray  # (eyes,) week of the next booking
    stay: FloatArray  # (eyes, sessions) chance of needing at least so many
    partner: IntArray  # (eyes,) place of the patient's other open eye, -1 for none


def _open(
    model: Model,
    standing: OpenCases,
    gaps: Gaps,
    draw: IntArray,
    draws: int,
    further: int,
    rng: np.random.Generator,
) -> _Eyes:
    runs, n = len(draw), len(standing.cases)
    if not n:
        none = np.zeros(0, dtype=np.int64)
        return _Eyes(none, none, np.zeros((0, further)), none)
    columns = {str(name): standing.cases[name].to_numpy() for name in standing.cases.columns}
    done = standing.cases["sessions"].to_numpy(dtype=np.int64)
    nodes = staying_by_node(model, columns, done, further=further, draws=draws)
    patient = np.unique(standing.cases["patient"].to_numpy(dtype=object), return_inverse=True)[1]
    with np.errstate(divide="ignore"):
        told = np.log(nodes.left)  # (nodes, draws, cases)
    both = np.stack([told[..., patient == p].sum(axis=-1) for p in range(patient.max() + 1)], axis=-1)
    both += np.log(nodes.weight)[:, None, None]
    share = np.exp(both - both.max(axis=0))
    share = np.cumsum(share / share.sum(axis=0), axis=0)  # (nodes, draws, patients)
    node = (rng.random((runs, share.shape[2]))[None] > share[:, draw]).sum(axis=0)  # (runs, patients)
    node = np.minimum(node, len(nodes.weight) - 1)
    stay = nodes.stay[node[:, patient], draw[:, None], np.arange(n)[None, :]]  # (runs, cases, further)
    due = np.stack(
        [_draw_weeks(standing.first[clock], runs, rng) for clock in standing.clock.tolist()], axis=1
    )
    partner = np.full(n, -1)
    for p in np.flatnonzero(np.bincount(patient) == 2):
        one, two = np.flatnonzero(patient == p)
        partner[two] = one
    places = np.where(partner >= 0, np.arange(runs)[:, None] * n + partner, -1)
    return _Eyes(np.repeat(np.arange(runs), n), due.ravel(), stay.reshape(runs * n, -1), places.ravel())


def _starting(
    arrivals: Arrivals, second_eyes: SecondEyes, runs: int, weeks: int, rng: np.random.Generator
) -> tuple[IntArray, IntArray]:
    """Run and first week of every eye that begins."""
    pick = rng.integers(0, len(arrivals.rate), runs)
    mean = arrivals.rate[pick, :weeks]
    size = arrivals.dispersion[pick]
    if not arrivals.is_poisson:
        size = np.minimum(size, 1e5)
        mean = mean * rng.gamma(size[:, None], 1.0 / size[:, None], mean.shape)
    starts = rng.poisson(mean)  # (runs, weeks)
    run = np.repeat(np.repeat(np.arange(runs), weeks), starts.ravel())
    week = np.repeat(np.tile(np.arange(weeks), runs), starts.ravel())
    rate = second_eyes.rate[rng.integers(0, len(second_eyes.rate), runs)]
    waiting = np.repeat(np.arange(runs), second_eyes.eligible)
    with np.errstate(divide="ignore"):
        follows = np.floor(rng.exponential(1.0, len(run)) / rate[run]) + 1 + week
        others = np.floor(rng.exponential(1.0, len(waiting)) / rate[waiting])
    run = np.concatenate([run, run[follows < weeks], waiting[others < weeks]])
    week = np.concatenate(
        [week, follows[follows < weeks].astype(np.int64), others[others < weeks].astype(np.int64)]
    )
    return run, week


def _run(
    eyes: _Eyes,
    gaps: Gaps,
    out: IntArray,
    rng: np.random.Generator,
    *,
    pairs: bool,
    first_is_kept: bool = False,
) -> None:
    """Pass through the weeks, adding the slots used to `out`."""
    had = np.zeros(len(eyes.run), dtype=np.int64)
    second = np.flatnonzero(eyes.partner >= 0) if pairs else np.zeros(0, dtype=np.int64)
    going = np.ones(len(eyes.run), dtype=bool)
    for week in range(out.shape[1]):
        if len(second):  # the second eye keeps the days of the first as long as both go on
            both = second[going[second] & going[eyes.partner[second]]]
            eyes.due[both] = eyes.due[eyes.partner[both]]
        now = np.flatnonzero(eyes.due == week)
        out[:, week] += np.bincount(eyes.run[now], minlength=len(out))
        missed = rng.random(len(now)) < gaps.missed
        if len(second):
            chance = np.full(len(eyes.run), -1.0)
            chance[now] = missed
            with_first = now[np.isin(now, second)]
            shared = with_first[going[eyes.partner[with_first]] & (chance[eyes.partner[with_first]] >= 0)]
            chance[shared] = chance[eyes.partner[shared]]
            missed = chance[now] > 0.5
        if first_is_kept:
            missed &= had[now] > 0
        absent, there = now[missed], now[~missed]
        eyes.due[absent] = week + _draw_weeks(gaps.rebooked, len(absent), rng)
        had[there] += 1
        last = eyes.stay.shape[1]
        needed = eyes.stay[there, np.minimum(had[there], last - 1)] / eyes.stay[there, had[there] - 1]
        goes_on = (rng.random(len(there)) < needed) & (had[there] < last)
        going[there[~goes_on]] = False
        eyes.due[there] = np.where(goes_on, week + _draw_weeks(gaps.pmf, len(there), rng), _NEVER)


def _draw_weeks(pmf: FloatArray, n: int, rng: np.random.Generator) -> IntArray:
    """Weeks drawn from chances that may add to less than 1: the rest is never."""
    found = np.searchsorted(np.cumsum(pmf), rng.random(n), side="right")
    return np.where(found < len(pmf), found, _NEVER).astype(np.int64)
