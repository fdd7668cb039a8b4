"""Courses of an eye simulated from where its sessions left it: a particle filter, then the states to come.

Each draw of the parameters carries a few dozen courses. Through the sessions had, each course is proposed close to
what was noted (locally optimal proposal), weighted by what was noted and by going on, and resampled (Doucet, Godsill
and Andrieu 2000, from memory). From there the state runs forward; ends are not drawn but summed by their chances.
What stays with an eye - how well it clears, how it feels - is not simulated: given a course it is normal.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.model.history.bother import bother_of_logit, logit_of_bother
from retreat.model.history.noise import Noise
from retreat.model.history.proposal import ROOT_2PI, proposed
from retreat.model.history.records import Records
from retreat.model.history.state import BEFORE, BOTHER, REMOVED, SHARE, STEPS, WORTH

FloatArray = NDArray[np.float64]

# courses simulated for each draw
PATHS = 32
# values of one block of the working arrays, about 1 MB each
_BLOCK_VALUES = 131_072


@dataclass(frozen=True)
class Courses:
    """Courses to come of some cases, given what was noted.

    Parameters
    ----------
    pmf : ndarray of float, shape (draws, cases, ends, horizon)
        Probability of ending in each way at each session, given the sessions done; 0 up to them.
    left : ndarray of float, shape (draws, cases)
        How well each draw explains what was noted: a density.
    bother_now : ndarray of float, shape (draws, cases)
        Mean bother after the last session done, 0 to 10, where not noted as simulated.
    bother_after : ndarray of float, shape (draws, cases, horizon)
        Mean bother after each session to come among eyes that reach it; NaN up to the sessions done.
    bother_next : ndarray of float, shape (draws, cases, paths)
        Bother after the next session, one value a simulated course.
    cleared_now : ndarray of float, shape (draws, cases)
        Mean share cleared after the last session done.
    """

    pmf: FloatArray
    left: FloatArray
    bother_now: FloatArray
    bother_after: FloatArray
    bother_next: FloatArray
    cleared_now: FloatArray


@dataclass
class _State:
    """The simulated courses of a block of cases; arrays of shape (cases, draws, paths)."""

    removed: FloatArray  # lambda
    logged: FloatArray  # sum of what is left of log r after its mean, over sessions
    felt: FloatArray  # the same of bother
    pieces: NDArray[np.int64]  # 0 before the first session, then 1 + position in FRAGMENTS
    bother: FloatArray  # logit
    before: FloatArray  # logit
    patient: FloatArray

    def take(self, chosen: NDArray[np.intp]) -> None:
        """Keep these paths of each draw."""
        for name in ("removed", "logged", "felt", "pieces", "bother", "before", "patient"):
            values = getattr(self, name)
            setattr(self, name, np.take_along_axis(values, chosen, axis=2))


def courses(
    parameters: Mapping[str, FloatArray],
    X: FloatArray,
    records: Records,
    *,
    energy: FloatArray,
    pulses: FloatArray,
    horizon: int,
    noise: Noise,
) -> Courses:
    """Courses of some cases from where their records leave them.

    Parameters
    ----------
    parameters : mapping of str to ndarray
        Of :class:`~retreat.model.history.progress.Progress`.
    X : ndarray of float, shape (cases, columns)
        Coded cases, centred.
    records : Records
        What was noted.
    energy, pulses : ndarray of float, shape (cases, sessions)
        Logarithms about their means; NaN where not noted.
    horizon : int
        Largest session.
    noise : Noise
        Standard numbers of at least as many sessions as the horizon.
    """
    draws, paths = noise.patient.shape
    n = len(X)
    out = Courses(
        np.zeros((draws, n, 2, horizon)),
        np.ones((draws, n)),
        np.zeros((draws, n)),
        np.full((draws, n, horizon), np.nan),
        np.zeros((draws, n, paths)),
        np.zeros((draws, n)),
    )
    block = max(1, _BLOCK_VALUES // (draws * paths))
    # cases with as many sessions behind them run together
    order = np.argsort(records.done, kind="stable")
    for done in np.flatnonzero(np.bincount(records.done)):  # np.unique would load masked arrays
        same = order[records.done[order] == done]
        for start in range(0, len(same), block):
            rows = same[start : start + block]
            run = _Run(parameters, X[rows], records.rows(rows), energy[rows], pulses[rows], noise)
            run.through(int(done), out.left, rows)
            run.onward(int(done), horizon, out, rows)
    return out


class _Run:
    """One block of cases with the same number of sessions behind them."""

    def __init__(
        self,
        parameters: Mapping[str, FloatArray],
        X: FloatArray,
        records: Records,
        energy: FloatArray,
        pulses: FloatArray,
        noise: Noise,
    ) -> None:
        self.p = {name: values[None, :, None] for name, values in parameters.items() if values.ndim == 1}
        self.ends = {name: values for name, values in parameters.items() if name.startswith("end_")}
        self.moves = parameters["fragments"]  # (draws, 4, 3)
        self.records, self.noise = records, noise
        self.energy, self.pulses = energy, pulses
        usual = [_mean(values, records.done) for values in (energy, pulses)]
        self.usual_energy, self.usual_pulses = usual
        p = self.p
        self.clear_steps, self.bother_steps = (
            _effects(parameters[f"{part}_session"]) for part in ("clear", "bother")
        )
        self.end_steps = _effects(self.ends["end_session"])  # (draws, ends, STEPS + 1)
        self.rate = (X @ parameters["clear_case"].T)[:, :, None] + p["clear_level"] + p["clear_operator"]
        self.mood = (X @ parameters["bother_case"].T)[:, :, None] + p["bother_level"]
        case = np.einsum("np,dkp->knd", X, parameters["end_case"], optimize=True)
        fixed = self.ends["end_level"] + self.ends["end_operator"]  # (draws, ends)
        self.leaving = case[..., None] + fixed.T[:, None, :, None]  # (ends, cases, draws, 1)
        shape = (len(X), *noise.patient.shape)
        zero = np.zeros(shape)
        told = logit_of_bother(records.before)[:, None, None]
        drawn = p["before_mean"] + p["before_sd"] * noise.before
        before = np.where(np.isfinite(told), np.nan_to_num(told), drawn)
        self.state = _State(
            zero, zero, zero, np.zeros(shape, dtype=np.int64), before, before, noise.patient + zero
        )

    def through(self, done: int, left: FloatArray, rows: NDArray[np.intp]) -> None:
        """Run through the sessions had; `left` takes the weights."""
        for k in range(done):
            weight = self._session(k, noted=True)
            chances = self._chances(k)
            with np.errstate(divide="ignore"):
                weight = weight + np.log(np.maximum(1.0 - chances.sum(axis=0), 1e-300))
            top = weight.max(axis=2, keepdims=True)
            share = np.exp(weight - top)
            total = share.sum(axis=2)
            left[:, rows] *= (np.exp(top[..., 0]) * total / share.shape[2]).T
            if share.shape[2] > 1:
                self.state.take(_resampled(share / total[..., None]))

    def onward(self, done: int, horizon: int, out: Courses, rows: NDArray[np.intp]) -> None:
        """Run forward; the ends are summed by their chances."""
        state = self.state
        out.bother_now[:, rows] = bother_of_logit(state.bother).mean(axis=2).T
        out.cleared_now[:, rows] = -np.expm1(-state.removed).mean(axis=2).T
        staying = np.ones(state.removed.shape)
        for k in range(done, horizon):
            self._session(k, noted=False)
            rating = bother_of_logit(state.bother)
            reached = staying.mean(axis=2)
            with np.errstate(invalid="ignore", divide="ignore"):
                out.bother_after[:, rows, k] = ((staying * rating).mean(axis=2) / reached).T
            if k == done:
                out.bother_next[:, rows] = np.moveaxis(rating, 1, 0)
            chances = self._chances(k)
            for j, chance in enumerate(chances):
                out.pmf[:, rows, j, k] = (staying * chance).mean(axis=2).T
            staying = staying * (1.0 - chances.sum(axis=0))

    def _session(self, k: int, *, noted: bool) -> FloatArray:
        """Move the states through session k, counted from 0; returns log weights where something was noted."""
        p, s, noise = self.p, self.state, self.noise
        weight = np.zeros(s.removed.shape)
        column = k if noted and k < self.records.cleared.shape[1] else None
        trend = min(k, STEPS)
        mean = self.rate + self.clear_steps[None, :, trend, None]
        mean = mean + p["clear_energy"] * self._input(self.energy, self.usual_energy, column)
        mean = mean + p["clear_pulses"] * self._input(self.pulses, self.usual_pulses, column)
        centre, spread = _predicted(s.logged, k, p["clear_eye_sd"], p["clear_luck_sd"])
        log_r = mean + centre + spread * noise.luck[None, :, :, k]
        if column is not None:
            graded = np.flatnonzero(np.isfinite(self.records.cleared[:, column]))
            if len(graded):
                grade = np.arcsin(np.sqrt(self.records.cleared[graded, column]))[:, None, None]
                full = np.broadcast_to(spread, log_r.shape)[graded]
                log_r[graded], weight[graded] = proposed(
                    (mean + centre)[graded],
                    full,
                    s.removed[graded],
                    grade,
                    p["grade_sd"],
                    noise.luck[None, :, :, k],
                )
        s.logged = s.logged + (log_r - mean)
        s.removed = s.removed + np.exp(np.minimum(log_r, 4.0))
        self.log_r = log_r
        s.pieces = self._fragments(k, column)
        share = -np.expm1(-s.removed)
        mood = (
            self.mood
            + p["bother_before"] * s.before
            + p["bother_removed"] * (s.removed - REMOVED)
            + p["bother_share"] * (share - SHARE)
            + self.bother_steps[None, :, trend, None]
            + p["bother_few"] * (s.pieces == 2)
            + p["bother_many"] * (s.pieces == 3)
        )
        centre, spread = _predicted(s.felt, k, p["bother_eye_sd"], p["bother_noise_sd"])
        expected = mood + centre
        s.bother = expected + spread * noise.felt[None, :, :, k]
        if column is not None:
            told = np.flatnonzero(np.isfinite(self.records.bother[:, column]))
            if len(told):
                seen = logit_of_bother(self.records.bother[told, column])[:, None, None]
                full = np.broadcast_to(spread, s.bother.shape)[told]
                weight[told] -= 0.5 * ((seen - expected[told]) / full) ** 2 + np.log(full * ROOT_2PI)
                s.bother[told] = seen
        s.felt = s.felt + (s.bother - mood)
        return weight

    def _chances(self, k: int) -> FloatArray:
        """Chance of each end after session k, shape (ends, cases, draws, paths)."""
        s, trend = self.state, min(k, STEPS)
        few, many = s.pieces == 2, s.pieces == 3
        state = {
            "end_removed": s.removed - REMOVED,
            "end_share": -np.expm1(-s.removed) - SHARE,
            "end_bother": bother_of_logit(s.bother) - BOTHER,
            "end_before": bother_of_logit(s.before) - BEFORE,
            "end_worth": self.log_r - WORTH,
            "end_few": few,
            "end_many": many,
            "end_patient": s.patient,
        }
        eta = []
        for j in range(2):
            one = self.leaving[j] + self.end_steps[None, :, j, trend, None]
            for name, values in state.items():
                one = one + self.ends[name][None, :, j, None] * values
            eta.append(one)
        odds = np.exp(np.clip(np.stack(eta), -30.0, 30.0))
        return np.asarray(odds / (1.0 + odds.sum(axis=0)))

    def _input(self, values: FloatArray, usual: FloatArray, column: int | None) -> FloatArray:
        """What was delivered; where not noted, and in sessions to come, what the eye had on average."""
        if column is None:
            return usual[:, None, None]
        return np.where(np.isfinite(values[:, column]), values[:, column], usual)[:, None, None]

    def _fragments(self, k: int, column: int | None) -> NDArray[np.int64]:
        steps = np.cumsum(self.moves, axis=-1)  # (draws, 4, 3)
        at = steps[np.arange(len(steps))[None, :, None], self.state.pieces]  # (cases, draws, paths, 3)
        u = self.noise.pieces[None, :, :, k]
        drawn: NDArray[np.int64] = 1 + (u > at[..., 0]).astype(np.int64) + (u > at[..., 1])
        if column is not None:
            told = np.flatnonzero(np.isfinite(self.records.fragments[:, column]))
            drawn[told] = 1 + self.records.fragments[told, column].astype(np.int64)[:, None, None]
        return drawn


def _effects(steps: FloatArray) -> FloatArray:
    """Effect of each session from its steps along the last axis; the first has none."""
    return np.concatenate([np.zeros((*steps.shape[:-1], 1)), np.cumsum(steps, axis=-1)], axis=-1)


def _predicted(
    total: FloatArray, k: int, lasting: FloatArray, passing: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean and spread of the next deviation, given the sum of k before it: a lasting part and a passing one."""
    among = passing**2 + k * lasting**2
    return lasting**2 * total / among, np.sqrt(passing**2 + (lasting * passing) ** 2 / among)


def _resampled(share: FloatArray) -> NDArray[np.intp]:
    """Systematic resampling along the last axis, at fixed points (Kitagawa 1996, from memory)."""
    paths = share.shape[-1]
    points = (np.arange(paths) + 0.5) / paths
    total = np.cumsum(share, axis=-1)
    total[..., -1] = 1.0
    # how many points each total has passed: the first total beyond a point is its path
    passed = np.ceil(total * paths - 0.5).astype(np.int64)
    counts = np.diff(passed, prepend=0, axis=-1)
    flat = np.repeat(np.broadcast_to(np.arange(paths), share.shape).ravel(), counts.ravel())
    return flat.reshape(*share.shape[:-1], len(points))


def _mean(values: FloatArray, done: NDArray[np.int64]) -> FloatArray:
    """Mean over the sessions noted, 0 without any; shape (cases,)."""
    known = np.isfinite(values) & (np.arange(values.shape[1]) < done[:, None])
    return np.asarray(np.where(known, values, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1))
