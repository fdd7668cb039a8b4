"""Whole patients simulated week by week, where cases do not go on independently: two eyes, one factor, one day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from retreat.planning.arrivals import Arrivals
from retreat.planning.demand import new_course
from retreat.planning.gaps import Gaps
from retreat.planning.second_eyes import SecondEyes, begins, drawn_weeks
from retreat.planning.standing import open_cases
from retreat.planning.staying import staying_by_node
from retreat.planning.timetable import sessions_within
from retreat.planning.totals import shares

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import Model
    from retreat.planning.standing import OpenCases

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# draws of the parameters that runs are spread over, fewer where each is taken at 25 nodes of the patient effect
_DRAWS, _DRAWS_OF_PATIENTS = 250, 100
# chances kept at once: draws by open cases by further sessions, 64 MB
_MOST_VALUES, _LEAST_DRAWS = 8_000_000, 40
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
    """Slots used in each week of each simulated run, as many as are needed being open.

    All cases of a run share a draw of the parameters, so also the effect of an operator not seen before. A patient's
    open eyes share how hard they are: it is drawn from what the sessions done of both tell; what an eye that has
    already ended tells of its fellow is not used. Where the model knows no such factor and eyes are booked apart, the
    runs follow the distribution that :func:`retreat.planning.demand.demand` gives exactly. Eyes that begin later stand
    by themselves.

    Parameters
    ----------
    model, cases, gaps, arrivals, second_eyes, today, weeks, visits
        As for :func:`retreat.planning.demand.demand`.
    runs : int
        Simulated clinics.
    seed : int
        Of all that is drawn: the same seed gives the same runs, whatever the order of the rows.
    eyes : {"apart", "together"}
        Together: eyes that :meth:`retreat.planning.standing.OpenCases.leaders` pairs are booked for one day, each
        using a slot, as long as both go on.

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
    further = max(sessions_within(law, weeks) for law in gaps.laws) + int(standing.waiting.any())
    most = _DRAWS_OF_PATIENTS if model.parameters.patient_loading.any() else _DRAWS
    affordable = max(_LEAST_DRAWS, _MOST_VALUES // max(1, len(standing.cases) * further))
    draws = min(most, affordable, model.parameters.n_draws, runs)
    draw = rng.permutation(np.arange(runs) * draws // runs)
    needed = _open_needs(model, standing, draw, draws, further, rng)
    leader = standing.leaders() if eyes == "together" else np.full(len(standing.cases), -1, dtype=np.int64)
    run, week = _starting(arrivals, second_eyes, runs, weeks, rng)
    course = new_course(model, cases, further, draws, arrivals, second_eyes)
    later = 1 + _sessions(course, draw[run], rng)  # the first session is always needed
    out = np.zeros((runs, weeks), dtype=np.int64)
    for part, law in zip(shares(runs, len(gaps.laws)), gaps.laws, strict=True):
        _run(_open(standing.under(law), needed[part], leader, rng), law, out[part], rng)
        here = np.flatnonzero((run >= part.start) & (run < part.stop))
        begun = _Eyes(run[here] - part.start, week[here], later[here], None)
        _run(begun, law, out[part], rng, first_is_kept=True)
    return out


@dataclass
class _Eyes:
    """Eyes of all runs in one list; `due` and `left` change as the weeks pass."""

    run: IntArray  # (eyes,)
    due: IntArray  # (eyes,) week of the next booking
    left: IntArray  # (eyes,) sessions still needed
    leader: IntArray | None  # (eyes,) place of the eye whose days each follows, -1 for none


def _open_needs(
    model: Model, standing: OpenCases, draw: IntArray, draws: int, further: int, rng: np.random.Generator
) -> IntArray:
    """Further sessions that each open case needs, at most `further`, patients' factors drawn, shape (runs, cases)."""
    runs, n = len(draw), len(standing.cases)
    if not n:
        return np.zeros((runs, 0), dtype=np.int64)
    columns = {str(name): standing.cases[name].to_numpy() for name in standing.cases.columns}
    done = standing.cases["sessions"].to_numpy(dtype=np.int64)
    nodes = staying_by_node(model, columns, done, further=further, draws=draws)
    node = _drawn_nodes(nodes.left, nodes.weight, standing, draw, rng)
    u = rng.random((runs, n))
    needed = np.zeros((runs, n), dtype=np.int64)
    for j in range(further):
        reached = u < nodes.stay[node, draw[:, None], np.arange(n)[None, :], j]
        if not reached.any():
            break
        needed += reached
    return needed


def _drawn_nodes(
    left: FloatArray, weight: FloatArray, standing: OpenCases, draw: IntArray, rng: np.random.Generator
) -> IntArray:
    """Node of how hard each case's patient is, given the sessions of the patient's open eyes, shape (runs, cases)."""
    runs = len(draw)
    patient = np.unique(standing.cases["patient"].to_numpy(dtype=object), return_inverse=True)[1]
    if len(weight) == 1:
        return np.zeros((runs, len(patient)), dtype=np.int64)
    with np.errstate(divide="ignore"):
        told = np.log(left)  # (nodes, draws, cases)
    both = np.stack([told[..., patient == p].sum(axis=-1) for p in range(patient.max() + 1)], axis=-1)
    both += np.log(weight)[:, None, None]
    share = np.exp(both - both.max(axis=0))
    share = np.cumsum(share / share.sum(axis=0), axis=0)  # (nodes, draws, patients)
    node = (rng.random((runs, share.shape[2]))[None] > share[:, draw]).sum(axis=0)  # (runs, patients)
    return np.asarray(np.minimum(node, len(weight) - 1)[:, patient])


def _sessions(stay: FloatArray, draw: IntArray, rng: np.random.Generator) -> IntArray:
    """Sessions that each needs, from the chances of at least so many, shape (n,)."""
    u = rng.random(len(draw))
    needed = np.zeros(len(draw), dtype=np.int64)
    for j in range(stay.shape[1]):
        needed += u < stay[draw, j]
    return needed


def _open(standing: OpenCases, needed: IntArray, leader: IntArray, rng: np.random.Generator) -> _Eyes:
    runs, n = needed.shape
    if not n:
        none = np.zeros(0, dtype=np.int64)
        return _Eyes(none, none, none, None)
    due = [_draw_weeks(standing.first[clock], runs, rng) for clock in standing.clock.tolist()]
    places = np.where(leader >= 0, np.arange(runs)[:, None] * n + leader, -1)
    together = places.ravel() if (leader >= 0).any() else None
    return _Eyes(np.repeat(np.arange(runs), n), np.stack(due, axis=1).ravel(), needed.ravel(), together)


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
    chance = second_eyes.chance[rng.integers(0, len(second_eyes.chance), runs)]
    lag = begins(chance, second_eyes.after_start(weeks))
    found = [(run, week), (run, week + drawn_weeks(lag, run, rng.random(len(run))))]
    spans, patients = second_eyes.groups(weeks)
    for group, n in zip(spans, patients.tolist(), strict=True):
        of = np.repeat(np.arange(runs), n)
        found.append((of, drawn_weeks(begins(chance, group), of, rng.random(len(of)))))
    run, week = (np.concatenate([pair[k] for pair in found]) for k in (0, 1))
    return run[week < weeks], week[week < weeks]


def _run(
    eyes: _Eyes, gaps: Gaps, out: IntArray, rng: np.random.Generator, *, first_is_kept: bool = False
) -> None:
    """Pass through the weeks, adding the slots used to `out`."""
    left, due = eyes.left, eyes.due
    due[left <= 0] = _NEVER
    begun = np.zeros(len(due), dtype=bool) if first_is_kept else None
    follows = np.zeros(0, dtype=np.int64)
    if eyes.leader is not None:
        follows = np.flatnonzero(eyes.leader >= 0)
        lead = eyes.leader[follows]
    for week in range(out.shape[1]):
        if len(follows):  # an eye keeps the days of the one it follows as long as both go on
            both = (left[follows] > 0) & (left[lead] > 0)
            follows, lead = follows[both], lead[both]
            due[follows] = due[lead]
        now = np.flatnonzero(due == week)
        out[:, week] += np.bincount(eyes.run[now], minlength=len(out))
        missed = rng.random(len(now)) < gaps.missed
        if len(follows):  # both come, or neither
            here = np.zeros(len(due), dtype=bool)
            here[now] = missed
            here[follows] = here[lead]
            missed = here[now]
        if begun is not None:
            missed &= begun[now]
            begun[now] = True
        absent, there = now[missed], now[~missed]
        due[absent] = week + _draw_weeks(gaps.rebooked, len(absent), rng)
        left[there] -= 1
        goes_on = there[left[there] > 0]
        due[there] = _NEVER
        due[goes_on] = week + _draw_weeks(gaps.pmf, len(goes_on), rng)


def _draw_weeks(pmf: FloatArray, n: int, rng: np.random.Generator) -> IntArray:
    """Weeks drawn from chances that may add to less than 1: the rest is never."""
    found = np.searchsorted(np.cumsum(pmf), rng.random(n), side="right")
    return np.where(found < len(pmf), found, _NEVER).astype(np.int64)
