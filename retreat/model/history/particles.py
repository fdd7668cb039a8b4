"""Courses of an eye simulated from where its sessions left it: a particle filter, then the states to come.

Each draw of the parameters carries a few dozen courses. Through the sessions had, each course is proposed close to
what was noted (locally optimal proposal), weighted by what was noted and by going on, and resampled (Doucet, Godsill
and Andrieu 2000, from memory). From there the state runs forward; ends are not drawn but summed by their chances.
What stays with an eye - how well it clears, how it feels, which drifts - is not simulated: given a course it is normal
(in feeling by the extended Kalman filter that the fit has too).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.model.history.bother import bother_of_logit, logit_of_bother
from retreat.model.history.noise import Noise
from retreat.model.history.proposal import ROOT_2PI, log_normal_below, proposed
from retreat.model.history.records import Records
from retreat.model.history.state import (
    BEFORE,
    BOTHER,
    LOW_RATING,
    MOST_REMOVED,
    REMOVED,
    SHARE,
    STEPS,
    TOP_RATING,
    WORTH,
    bent,
    in_shadow,
)

FloatArray = NDArray[np.float64]

# courses simulated for each draw
PATHS = 32
# what of the state weighs in the decision to end and changes with each session
_WEIGHTS = ("end_removed", "end_share", "end_bother", "end_worth", "end_few", "end_many")
# values of one block of the working arrays, 256 KB each: a score of them stay in cache
_BLOCK_VALUES = 32_768


@dataclass(frozen=True)
class Courses:
    """Courses to come of some cases, given what was noted.

    Parameters
    ----------
    pmf : ndarray of float, shape (draws, cases, ends, horizon)
        Probability of ending in each way at each session, given the sessions done; 0 up to them.
    log_left : ndarray of float, shape (draws, cases)
        Logarithm of how well each draw explains what was noted: a density, or a chance where nothing was.
    """

    pmf: FloatArray
    log_left: FloatArray


@dataclass(frozen=True)
class Bother:
    """Bother of some cases along their courses to come.

    Parameters
    ----------
    after : ndarray of float, shape (draws, cases, horizon)
        Mean bother after each session to come among eyes that reach it, 0 to 10; NaN up to the sessions done.
    following : ndarray of float, shape (draws, cases, paths)
        Bother after the next session, one value a simulated course.
    """

    after: FloatArray
    following: FloatArray

    @staticmethod
    def blank(cases: int, horizon: int, noise: Noise) -> Bother:
        """Room for so many."""
        draws, paths = noise.patient.shape
        return Bother(np.full((draws, cases, horizon), np.nan), np.zeros((draws, cases, paths)))


@dataclass
class _State:
    """The simulated courses of a block of cases; arrays of shape (cases, draws, paths)."""

    removed: FloatArray  # lambda
    counted: FloatArray  # what of it counts
    cleared: FloatArray  # share of the opacity
    sooner: FloatArray  # the same a session before
    logged: FloatArray  # sum of what is left of log r after its mean, over sessions
    felt: FloatArray  # level of bother beyond the description, as far as the sessions tell
    doubt: FloatArray  # its variance
    pieces: NDArray[np.int8]  # 0 before the first session, then 1 + position in FRAGMENTS
    before: FloatArray  # bother, logit
    patient: FloatArray

    def take(self, chosen: NDArray[np.intp]) -> None:
        """Keep these paths of each draw."""
        for name in self.__dataclass_fields__:
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
    bother: Bother | None = None,
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
    bother : Bother, optional
        Filled where given.
    """
    draws, paths = noise.patient.shape
    n = len(X)
    # cases and draws last, so that what one session gives is written in one piece
    pmf, log_left = np.zeros((2, horizon, n, draws)), np.zeros((n, draws))
    block = max(1, _BLOCK_VALUES // (draws * paths))
    # cases with as many sessions behind them run together
    order = np.argsort(records.done, kind="stable")
    for done in np.flatnonzero(np.bincount(records.done)):  # np.unique would load masked arrays
        same = order[records.done[order] == done]
        for start in range(0, len(same), block):
            rows = same[start : start + block]
            run = _Run(parameters, X[rows], records.rows(rows), energy[rows], pulses[rows], noise)
            run.through(int(done), log_left, rows)
            run.onward(int(done), horizon, pmf, rows, bother)
    return Courses(pmf.transpose(3, 2, 0, 1), log_left.T)


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
        # chance of no fragments, and of few at most, after each count before: (draws, 4)
        self.moves = parameters["fragments"]
        self.at_most = self.moves[..., 0], self.moves[..., 0] + self.moves[..., 1]
        self.records, self.noise = records, noise
        self.energy, self.pulses = energy, pulses
        self.usual = [_mean(values, records.done) for values in (energy, pulses)]
        p = self.p
        self.clear_steps, self.bother_steps = (
            _effects(parameters[f"{part}_session"]) for part in ("clear", "bother")
        )
        self.end_steps = _effects(self.ends["end_session"])  # (draws, ends, STEPS + 1)
        self.rate = (X @ parameters["clear_case"].T)[:, :, None] + p["clear_level"] + p["clear_operator"]
        self.usual_rate = self._rate_with(None)
        self.mood = (X @ parameters["bother_case"].T)[:, :, None] + p["bother_level"]
        self.shown = np.exp(X @ parameters["bother_pieces"].T)[:, :, None]
        self.fall = (X @ parameters["bother_slope"].T)[:, :, None] + p["bother_removed"]
        self.uneven = self.fall * p["bother_fall_sd"]
        case = np.einsum("np,dkp->knd", X, parameters["end_case"], optimize=True)
        fixed = self.ends["end_level"] + self.ends["end_operator"]  # (draws, ends)
        # what of the state enters about its centre is taken from the level once
        fixed = (
            fixed
            - self.ends["end_removed"] * REMOVED
            - self.ends["end_share"] * SHARE
            - self.ends["end_bother"] * BOTHER
        )
        fixed = fixed - self.ends["end_before"] * BEFORE - self.ends["end_worth"] * WORTH
        self.leaving = case[..., None] + fixed.T[:, None, :, None]  # (ends, cases, draws, 1)
        # (ends, parts of the state, draws)
        self.weights = np.stack([self.ends[name].T for name in _WEIGHTS], axis=1)
        self.steady: list[FloatArray] | None = None  # part of the decision that stays with a course
        shape = (len(X), *noise.patient.shape)
        zero = np.zeros(shape)
        told = logit_of_bother(records.before)[:, None, None]
        drawn = p["before_mean"] + p["before_sd"] * noise.before
        before = np.where(np.isfinite(told), np.nan_to_num(told), drawn)
        self.state = _State(
            removed=zero,
            counted=zero,
            cleared=zero,
            sooner=zero,
            logged=zero,
            felt=zero,
            doubt=p["bother_eye_sd"] ** 2 + zero,
            pieces=np.zeros(shape, dtype=np.int8),
            before=before,
            patient=noise.patient + zero,
        )

    def through(self, done: int, log_left: FloatArray, rows: NDArray[np.intp]) -> None:
        """Run through the sessions had; `log_left` takes the weights."""
        for k in range(done):
            weight = self._session(k, noted=True)
            weight -= np.log1p(sum(self._odds(k)))
            top = weight.max(axis=2, keepdims=True)
            share = np.exp(weight - top)
            total = share.sum(axis=2)
            log_left[rows] += top[..., 0] + np.log(total / share.shape[2])
            if share.shape[2] > 1:
                self.state.take(_resampled(share / total[..., None]))
                self.steady = None

    def onward(
        self, done: int, horizon: int, pmf: FloatArray, rows: NDArray[np.intp], bother: Bother | None
    ) -> None:
        """Run forward; the ends are summed by their chances."""
        paths = self.noise.patient.shape[1]
        staying = np.ones(self.state.removed.shape)
        for k in range(done, horizon):
            self._session(k, noted=False)
            if bother is not None:
                rating = self.rating
                bother.after[:, rows, k] = ((staying * rating).sum(axis=2) / staying.sum(axis=2)).T
                if k == done:
                    bother.following[:, rows] = np.moveaxis(rating, 1, 0)
            odds = self._odds(k)
            total = odds[0] + odds[1]
            total += 1.0
            staying /= total
            for j in range(2):
                pmf[j, k, rows] = np.einsum("cdm,cdm->cd", staying, odds[j]) / paths

    def _session(self, k: int, *, noted: bool) -> FloatArray:
        """Move the states through session k, counted from 0; returns log weights where something was noted."""
        p, s, noise = self.p, self.state, self.noise
        weight = np.zeros(s.removed.shape if noted else 0)
        column = k if noted and k < self.records.cleared.shape[1] else None
        trend = min(k, STEPS)
        rate = self.usual_rate if column is None else self._rate_with(column)
        mean = rate + self.clear_steps[None, :, trend, None]
        centre, spread = _predicted(s.logged, k, p["clear_eye_sd"], p["clear_luck_sd"])
        log_r = mean + centre + spread * noise.luck[None, :, :, k]
        if column is not None:
            graded = np.flatnonzero(np.isfinite(self.records.cleared[:, column]))
            if len(graded):
                grade = self.records.cleared[graded, column][:, None, None]
                full = np.broadcast_to(spread, log_r.shape)[graded]
                log_r[graded], weight[graded] = proposed(
                    (mean + centre)[graded],
                    full,
                    s.removed[graded],
                    grade,
                    (p["grade_sd"], p["grade_even"]),
                    noise.luck[None, :, :, k],
                )
        s.logged = s.logged + (log_r - mean)
        each = np.exp(np.minimum(log_r, 4.0))
        s.removed = s.removed + each
        self.worth = -np.expm1(-each)
        s.pieces = self._fragments(k, column, weight)
        counted, back = s.counted, p["bother_back"] * s.cleared + p["bother_later"] * s.sooner
        s.sooner = s.cleared
        s.counted, s.cleared = in_shadow(np.exp(s.removed / -MOST_REMOVED))
        self.few, self.many = (s.pieces == 2).astype(float), (s.pieces == 3).astype(float)
        self._rate(k, back, s.counted - counted, column, weight)
        return weight

    def _rate(
        self, k: int, back: FloatArray, more: FloatArray, column: int | None, weight: FloatArray
    ) -> None:
        """What is felt after session k, as far as its rating, told or drawn, says.

        `back` are pieces that earlier sessions threw, `more` what session k added to what counts as removed; the
        arrays are the caller's to lose.
        """
        p, s = self.p, self.state
        shadow = self.fall * (s.counted - REMOVED)
        shadow += p["bother_share"] * bent(s.counted, s.cleared)
        np.exp(shadow, out=shadow)
        pieces = p["bother_few"] * self.few + p["bother_many"] * self.many
        pieces += back
        pieces *= self.shown
        shadow += pieces
        mood = p["bother_before"] * s.before
        mood += self.mood + self.bother_steps[None, :, min(k, STEPS), None]
        mood += s.felt
        odds = np.exp(mood, out=mood)
        odds *= shadow
        share = odds / (1.0 + odds)
        tilt = 11.0 * share * (1.0 - share)
        noise = p["bother_noise_sd"] ** 2
        more *= self.uneven
        more *= more
        known, s.doubt = s.doubt, s.doubt + more
        whole = tilt * tilt * s.doubt + noise
        spread = np.sqrt(whole)
        if self.noise.step is None:
            surprise = spread * self.noise.felt[None, :, :, k]
        else:
            surprise = np.sqrt(tilt * tilt * known + noise) * self.noise.felt[None, :, :, k]
            surprise += tilt * np.sqrt(more) * self.noise.step[None, :, :, k]
        if column is not None:
            rating = self.records.bother[:, column]
            exact = np.flatnonzero((rating > 0.0) & (rating < 10.0))
            surprise[exact] = rating[exact, None, None] - (11.0 * share[exact] - 0.5)
            weight[exact] -= 0.5 * surprise[exact] ** 2 / whole[exact] + np.log(spread[exact] * ROOT_2PI)
        self.expected, self.surprise = share, surprise
        learned = s.doubt / whole
        left = learned * noise
        if column is not None:
            for at, limit, sign in (
                (np.flatnonzero(rating <= 0.0), LOW_RATING, -1.0),
                (np.flatnonzero(rating >= 10.0), TOP_RATING, 1.0),
            ):
                if len(at):
                    # mean and variance of a normal beyond a limit
                    beyond = sign * (11.0 * share[at] - 0.5 - limit) / spread[at]
                    log_share = log_normal_below(beyond)
                    weight[at] += log_share
                    ratio = np.exp(-0.5 * beyond**2 - log_share) / ROOT_2PI
                    surprise[at] = sign * spread[at] * ratio
                    taken = ratio * (ratio + beyond) * tilt[at] ** 2 * learned[at]
                    left[at] = s.doubt[at] * (1.0 - taken)
        s.doubt = left + p["bother_drift_sd"] ** 2
        learned *= tilt
        learned *= surprise
        s.felt = s.felt + learned
        odds *= np.exp(learned, out=learned)
        self.felt = np.clip(11.0 * odds / (1.0 + odds) - 0.5, 0.0, 10.0)

    @property
    def rating(self) -> FloatArray:
        """Rating after the last session run, 0 to 10."""
        return np.clip(11.0 * self.expected - 0.5 + self.surprise, 0.0, 10.0)

    def _odds(self, k: int) -> list[FloatArray]:
        """Odds of each end against going on after session k, each of shape (cases, draws, paths)."""
        s, trend = self.state, min(k, STEPS)
        if self.steady is None:
            before = bother_of_logit(s.before)
            self.steady = [
                self.leaving[j]
                + self._weight("end_before", j) * before
                + self._weight("end_patient", j) * s.patient
                for j in range(2)
            ]
        state = np.stack([s.counted, s.cleared, self.felt, self.worth, self.few, self.many])
        out = []
        for j in range(2):
            eta = np.einsum("vd,vcdm->cdm", self.weights[j], state)
            eta += self.steady[j]
            eta += self.end_steps[None, :, j, trend, None]
            np.clip(eta, -30.0, 30.0, out=eta)
            out.append(np.exp(eta, out=eta))
        return out

    def _weight(self, name: str, end: int) -> FloatArray:
        return self.ends[name][None, :, end, None]

    def _rate_with(self, column: int | None) -> FloatArray:
        """Rate with what was delivered; where not noted, and in sessions to come, what the eye had on average."""
        rate = self.rate
        for name, values, usual in zip(
            ("energy", "pulses"), (self.energy, self.pulses), self.usual, strict=True
        ):
            given = (
                usual
                if column is None
                else np.where(np.isfinite(values[:, column]), values[:, column], usual)
            )
            rate = rate + self.p[f"clear_{name}"] * given[:, None, None]
        return rate

    def _fragments(self, k: int, column: int | None, weight: FloatArray) -> NDArray[np.int8]:
        """Fragments after session k: as noted, which tells of the course before it, or drawn."""
        u = self.noise.pieces[:, :, k]
        none, few = self.at_most
        # where each count before leads, shape (draws, paths); np.choose would take ten times as long
        leads = [1 + (u > none[:, i, None]).astype(np.int8) + (u > few[:, i, None]) for i in range(4)]
        drawn = np.broadcast_to(leads[0], self.state.pieces.shape).astype(np.int8)
        for i in range(1, 4):
            np.copyto(drawn, leads[i], where=self.state.pieces == i)
        if column is not None:
            told = np.flatnonzero(np.isfinite(self.records.fragments[:, column]))
            seen = self.records.fragments[told, column].astype(np.int8)[:, None, None]
            chance = np.zeros((len(told), *drawn.shape[1:]))
            for before in range(4):
                here = self.state.pieces[told] == before
                leads_to = np.moveaxis(self.moves[:, before, :][:, seen[:, 0, 0]], 0, 1)[:, :, None]
                np.copyto(chance, leads_to, where=here)
            weight[told] += np.log(np.maximum(chance, 1e-300))
            drawn[told] = 1 + seen
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
