"""The state model of a course in PyMC: what a session clears, the bother left, the decision to end.

The log of what each session removed is sampled; what stays with an eye is integrated out: in clearing its deviations
are normal with one shared part (compound symmetry), in bother a level drifts that ratings tell of.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from retreat.definitions.histories import HistoryEntry
from retreat.fitting.histories.sessions import Sessions
from retreat.model.history.state import (
    BEFORE,
    BENT,
    BOTHER,
    EDGE,
    LOG_REMOVED,
    LOW_RATING,
    MOST_REMOVED,
    REMOVED,
    SHARE,
    STEPS,
    TOP_RATING,
    WORTH,
    bent,
    grade_variance,
    in_shadow,
)

if TYPE_CHECKING:
    import pymc as pm

FloatArray = NDArray[np.float64]

# scale of the log of what a session removes where no grade tells, and error of a grade taken for the first guess
_LOG_SCALE, _ERROR = 0.7, 0.09
# Gauss-Hermite nodes for the patient
_NODES = 7
# parameters of the model by the name they are saved under
SAVED = (
    "clear_level", "clear_case", "clear_session", "clear_energy", "clear_pulses", "clear_operator_sd",
    "clear_eye_sd", "clear_luck_sd", "grade_sd", "grade_even", "bother_level", "bother_case", "bother_before",
    "bother_removed", "bother_share", "bother_slope", "bother_session", "bother_pieces", "bother_few", "bother_many",
    "bother_back", "bother_later", "bother_eye_sd", "bother_drift_sd", "bother_fall_sd", "bother_noise_sd",
    "before_mean", "before_sd", "end_level", "end_case", "end_session", "end_removed", "end_share",
    "end_bother", "end_before", "end_worth", "end_few", "end_many", "end_operator_sd", "end_patient",
)  # fmt: skip


def build(rows: Sessions, history: HistoryEntry, ends: tuple[str, ...]) -> pm.Model:
    """State model of the sessions of a clinic.

    Parameters
    ----------
    rows : Sessions
        What was noted.
    history : HistoryEntry
        Priors.
    ends : tuple of str
        Names of the ends.

    Returns
    -------
    pymc.Model
        Not sampled; :data:`SAVED` names what to keep.
    """
    import pymc as pm
    import pytensor.tensor as pt

    make = _Priors(history, ends)
    case, trend = rows.case, np.minimum(rows.session, STEPS)
    with pm.Model() as model:
        # what a session clears
        eye, luck = make.spread("clear_eye", "clear_eye_sd"), make.spread("clear_luck", "clear_luck_sd")
        by_operator = _operators(pm, pt, rows, make, eye**2 + luck**2)
        mean = (by_operator[rows.operator] + _dot(pt, rows.X, make.normal("clear_case", rows.X.shape[1])))[
            case
        ]
        mean = mean + _steps(pt, make.normal("clear_session", STEPS))[trend]
        mean = mean + make.normal("clear_energy") * rows.energy + make.normal("clear_pulses") * rows.pulses
        error = make.spread("grade", "grade_sd"), pm.Uniform("grade_even")
        weight_removed, weight_share = make.normal("bother_removed"), make.normal("bother_share")
        spreads = {
            name: make.spread(f"bother_{name}", f"bother_{name}_sd")
            for name in ("eye", "drift", "fall", "noise")
        }
        around = pm.Normal("log_removed_raw", 0.0, 1.0, shape=len(case))
        # about where and as wide as description, grade and rating leave it, whatever the spreads: else those would be
        # held fast by thousands of values
        graded = _graded(rows)
        expected = 1.0 / (eye**2 + luck**2)
        pull = graded.slope**2 / grade_variance(graded.share, *error)
        wide = 1.0 / pt.sqrt(
            expected + pull + _told_by_rating(rows, graded, weight_removed, weight_share, spreads)
        )
        log_removed = (expected * mean + pull * graded.log_removed) / (expected + pull) + wide * around
        pm.Potential("cleared_deviations", _shared(pt, log_removed - mean, rows, lasting=eye, passing=luck))
        # the standard normal only names the variable; its scale enters as the density of a change of variable does
        pm.Potential("cleared_free", 0.5 * (around**2).sum() + pt.log(wide).sum())
        each = pt.exp(log_removed)
        removed, share = in_shadow(pt.exp(-_running(pt, each, rows.size) / MOST_REMOVED))
        _grades(pm, pt, rows, share, grade_variance(share, *error))

        # bother left
        before = _before(pm, pt, rows)
        mood = make.normal("bother_level") + make.normal("bother_before") * before[case]
        mood = mood + _dot(pt, rows.X, make.normal("bother_case", rows.X.shape[1]))[case]
        mood = mood + _steps(pt, make.normal("bother_session", STEPS))[trend]
        # shadows add up: of what is left, and of pieces
        slope = weight_removed + _dot(pt, rows.X, make.normal("bother_slope", rows.X.shape[1]))[case]
        shadow = pt.exp(slope * (removed - REMOVED) + weight_share * bent(removed, share))
        pieces = make.spread("bother_fragments", "bother_few") * rows.few
        pieces = pieces + make.spread("bother_fragments", "bother_many") * rows.many
        # pieces of what earlier sessions removed drift back from where they were not seen, some later than others
        once = _earlier(pt, share, rows.size)
        pieces = pieces + make.spread("bother_returning", "bother_back") * once
        pieces = pieces + make.spread("bother_returning", "bother_later") * _earlier(pt, once, rows.size)
        # beside a thin or pale opacity they show more
        pieces = pieces * pt.exp(_dot(pt, rows.X, make.normal("bother_pieces", rows.X.shape[1])))[case]
        shadow = shadow + pieces
        noted = np.isfinite(rows.bother)
        gaps = pm.Normal("bother_missing", 0.0, 1.0, shape=int((~noted).sum()))
        step = _level_steps(pt, rows, slope, removed, spreads)
        felt, density = rated(
            mood + pt.log(shadow), rows.bother, gaps, rows.size, step=step, noise=spreads["noise"]
        )
        pm.Potential("bother_ratings", density)

        # the decision to end
        state = [
            ("end_removed", removed - REMOVED),
            ("end_share", share - SHARE),
            ("end_bother", pt.clip(felt, 0.0, 10.0) - BOTHER),
            ("end_before", (_rating(pt, before) - BEFORE)[case]),
            ("end_worth", 1.0 - pt.exp(-each) - WORTH),
        ]
        weights = {name: make.by_end(name) for name, _ in state}
        few = make.by_end("end_few", source="end_fragments")
        many = make.by_end("end_many", source="end_fragments")
        level = make.by_end("end_level")
        effect = make.by_end("end_case", rows.X.shape[1])
        steps = make.by_end("end_session", STEPS)
        spread = make.spreads("end_operator", "end_operator_sd")
        members = pm.Normal("end_operator_raw", 0.0, 1.0, shape=(len(ends), int(rows.operator.max()) + 1))
        loading = make.by_end("end_patient_signed", source="end_patient")
        # the sign of the factor is free: the first loading is taken as positive
        pm.Deterministic("end_patient", pt.where(loading[0] < 0, -1.0, 1.0) * loading)
        etas = []
        for j in range(len(ends)):
            eta = (level[j] + _dot(pt, rows.X, effect[j]) + (spread[j] * members[j])[rows.operator])[case]
            eta = eta + _steps(pt, steps[j])[trend] + few[j] * rows.few + many[j] * rows.many
            for name, values in state:
                eta = eta + weights[name][j] * values
            etas.append(eta)
        pm.Potential("ends", decisions(etas, loading, rows.ending, rows.patient[rows.case]))
    return model


def decisions(
    etas: Sequence[Any],
    loading: Any,
    ending: NDArray[np.int64],
    patient: NDArray[np.int64],
    *,
    nodes: int = _NODES,
) -> Any:
    """Log likelihood of the decisions, how hard a patient's eyes are integrated out by Gauss-Hermite quadrature.

    Parameters
    ----------
    etas : sequence of tensor, each of shape (rows,)
        Linear predictor of each end, without the patient.
    loading : tensor, shape (ends,)
        Effect on each end of one standard deviation of how hard a patient's eyes are.
    ending : ndarray of int, shape (rows,)
        0 went on, 1.. the ends.
    patient : ndarray of int, shape (rows,)
        Numbered from 0.
    nodes : int
        Of the quadrature.

    Returns
    -------
    tensor
        A number.
    """
    import pytensor.tensor as pt

    at, weights = np.polynomial.hermite_e.hermegauss(nodes)
    # exp(eta + loading z) is a product, so that one exponential a row serves all nodes
    odds = [pt.exp(eta)[:, None] * pt.exp(loading[j] * at)[None, :] for j, eta in enumerate(etas)]
    going_on = -pt.log(1.0 + sum(odds))
    n = int(patient.max()) + 1
    of_patient = pt.inc_subtensor(pt.zeros((n, nodes))[patient], going_on)
    total = 0.0
    for j, eta in enumerate(etas):
        ended = ending == j + 1
        total = total + eta[np.flatnonzero(ended)].sum()
        count = np.bincount(patient[ended], minlength=n).astype(float)
        of_patient = of_patient + count[:, None] * (loading[j] * at)[None, :]
    return total + pt.logsumexp(of_patient + np.log(weights / weights.sum()), axis=1).sum()


def rated(
    mood: Any, noted: FloatArray, gaps: Any, size: Sequence[int], *, step: Any, noise: Any
) -> tuple[Any, Any]:
    """Ratings about a level of each case that drifts as a random walk on the logit scale, erring by points.

    By the extended Kalman filter, the rating linear about what is expected of it (Durbin and Koopman 2012, from
    memory); ratings of 0 and 10 are limits, as in a Tobit model.

    Parameters
    ----------
    mood : tensor, shape (rows,)
        Expected bother on the logit scale, session by session as in
        :class:`~retreat.fitting.histories.sessions.Sessions`, without the level.
    noted : ndarray of float, shape (rows,)
        Ratings in points of 0 to 10; NaN where not noted.
    gaps : tensor, shape (ratings not noted,)
        Their standard normals.
    size : sequence of int
        Cases that reached each session.
    step : tensor, shape (rows,)
        Variance of the step of the level to each session, at the first of the level itself, squared logits.
    noise : tensor
        Standard deviation of a rating, points.

    Returns
    -------
    tensor, shape (rows,)
        What is felt, in points, as far as the ratings tell: those not noted from their standard normals.
    tensor
        Log density of those noted, up to a constant.
    """
    import pymc as pm
    import pytensor.tensor as pt

    place = np.cumsum(~np.isfinite(noted)) - 1
    standard = pm.Normal.dist(0.0, 1.0)
    total, start, points = 0.0, 0, []
    level, variance = pt.zeros(size[0]), pt.zeros(size[0])
    for n in size:
        rows = slice(start, start + n)
        start += n
        level, variance = level[:n], variance[:n] + step[rows]
        share = pt.sigmoid(mood[rows] + level)
        tilt = 11.0 * share * (1.0 - share)
        whole = tilt**2 * variance + noise**2
        known = np.isfinite(noted[rows])
        expected = 11.0 * share - 0.5
        surprise = np.nan_to_num(noted[rows]) - expected
        if not known.all():
            gap = np.flatnonzero(~known)
            surprise = pt.set_subtensor(surprise[gap], pt.sqrt(whole[gap]) * gaps[place[rows][gap]])
        ends = (noted[rows] >= 10.0) * 1.0 - (noted[rows] <= 0.0)
        exact = known & (ends == 0.0)
        total = total - 0.5 * (exact * (surprise**2 / whole + pt.log(whole))).sum()
        told = pt.ones(n)  # how much of the variance a rating takes, of what it would take if it were exact
        if ends.any():
            # mean and variance of a normal beyond a limit, as of a Tobit model
            at = np.flatnonzero(ends)
            spread = pt.sqrt(whole[at])
            beyond = ends[at] * (expected[at] - np.where(ends[at] > 0, TOP_RATING, LOW_RATING)) / spread
            log_share = pm.logcdf(standard, beyond)
            total = total + (log_share + 0.5 * np.log(2 * np.pi)).sum()
            ratio = pt.exp(pm.logp(standard, beyond) - log_share)
            surprise = pt.set_subtensor(surprise[at], ends[at] * spread * ratio)
            told = pt.set_subtensor(told[at], ratio * (ratio + beyond))
        level = level + variance * tilt / whole * surprise
        points.append(11.0 * pt.sigmoid(mood[rows] + level) - 0.5)
        variance = variance * (1.0 - told * tilt**2 * variance / whole)
    return pt.concatenate(points), total


def _level_steps(pt: Any, rows: Sessions, slope: Any, removed: Any, spreads: Mapping[str, Any]) -> Any:
    """Variance of the step of each eye's level to each session.

    It drifts, and further the more the session removed: sessions differ in how much of that is felt, on the scale of
    the shadow the opacity alone would lose.
    """
    started = np.where(rows.session == 0, 1.0, 0.0)
    still = started * spreads["eye"] ** 2 + (1.0 - started) * spreads["drift"] ** 2
    fallen = slope * (removed - _earlier(pt, removed, rows.size))
    return still + (spreads["fall"] * fallen) ** 2


class _Priors:
    """Variables with the priors of the definition."""

    def __init__(self, history: HistoryEntry, ends: tuple[str, ...]) -> None:
        self.history, self.ends = history, ends

    def normal(self, name: str, shape: int | None = None, *, source: str = "") -> Any:
        import pymc as pm

        mean, sd = self.history.normal(source or name)
        return pm.Normal(name, mean, sd, shape=() if shape is None else (shape,))

    def spread(self, source: str, name: str) -> Any:
        import pymc as pm

        return pm.HalfNormal(name, self.history.normal(source)[1])

    def spreads(self, source: str, name: str) -> Any:
        import pymc as pm

        scale = np.array([self.history.normal(source, end)[1] for end in self.ends])
        return pm.HalfNormal(name, scale, shape=len(self.ends))

    def by_end(self, name: str, shape: int | None = None, *, source: str = "") -> Any:
        import pymc as pm

        pairs = np.array([self.history.normal(source or name, end) for end in self.ends])
        if shape is None:
            return pm.Normal(name, pairs[:, 0], pairs[:, 1], shape=(len(self.ends),))
        return pm.Normal(name, pairs[:, :1], pairs[:, 1:], shape=(len(self.ends), shape))


def _operators(pm: Any, pt: Any, rows: Sessions, make: _Priors, variance: Any) -> Any:
    """Level of clearing of each operator, sampled by what the cases tell: their middle, and differences from it.

    A few operators may clear alike or not: their effects are drawn as wide as spread and cases leave them, so that
    neither a small nor a large spread holds them fast.
    """
    cases = np.bincount(rows.operator).astype(float)
    spread = make.spread("clear_operator", "clear_operator_sd")
    raw = pm.Normal("clear_operator_raw", 0.0, 1.0, shape=len(cases))
    wide = 1.0 / pt.sqrt(1.0 / spread**2 + cases / variance)
    effect = wide * raw
    mean, sd = make.history.normal("clear_level")
    middle = pm.Normal("clear_middle", mean, sd)
    level = pm.Deterministic("clear_level", middle - effect.mean())
    prior = pm.Normal.dist(mean, sd)
    # densities of level and effects in place of those of the numbers that name them
    pm.Potential("clear_level_density", pm.logp(prior, level) - pm.logp(prior, middle))
    density = 0.5 * (raw**2 - (effect / spread) ** 2) + pt.log(wide / spread)
    pm.Potential("clear_operator_density", density.sum())
    return level + effect


class _Graded(NamedTuple):
    """What grades tell of the log of what each session removed, to begin near."""

    log_removed: FloatArray  # as the grade has it; that of an ordinary session without one
    share: FloatArray  # cleared by the grade
    slope: FloatArray  # how fast the share moves with it; 0 without a grade
    guess: FloatArray  # between the grade and an ordinary session
    total: FloatArray  # removed by then


def _graded(rows: Sessions) -> _Graded:
    share = np.clip(rows.cleared, 0.02, 0.97)
    total = -np.log1p(-share)
    found = _Graded(
        np.full(len(total), LOG_REMOVED), np.nan_to_num(share, nan=0.5), *np.zeros((3, len(total)))
    )
    known = np.zeros(rows.n_cases)  # removed so far
    start = 0
    for n in rows.size:
        here = slice(start, start + n)
        start += n
        graded = np.isfinite(total[here])
        r = np.maximum(np.where(graded, total[here] - known[:n], np.exp(LOG_REMOVED)), 0.05)
        left = np.exp(-known[:n] - r)
        found.log_removed[here] = np.log(r)
        found.slope[here] = np.where(graded, r * left, 0.0)
        pull = (found.slope[here] / _ERROR) ** 2
        found.guess[here] = (LOG_REMOVED / _LOG_SCALE**2 + pull * np.log(r)) / (1.0 / _LOG_SCALE**2 + pull)
        known[:n] += np.exp(found.guess[here])
        found.total[here] = known[:n]
    return found


def _dot(pt: Any, X: FloatArray, weights: Any) -> Any:
    return pt.dot(pt.as_tensor_variable(X), weights) if X.shape[1] else pt.zeros(len(X))


def _steps(pt: Any, steps: Any) -> Any:
    """Effect of each session from its steps; the first has none."""
    return pt.concatenate([pt.zeros(1), pt.cumsum(steps)])


def _running(pt: Any, values: Any, size: tuple[int, ...]) -> Any:
    """Sum of the values of a case up to each of its sessions; risk sets are prefixes."""
    parts: list[Any] = []
    start = 0
    for n in size:
        here = values[start : start + n]
        parts.append(here if not parts else parts[-1][:n] + here)
        start += n
    return pt.concatenate(parts)


def _earlier(pt: Any, values: Any, size: tuple[int, ...]) -> Any:
    """The value of the session before, 0 at the first; risk sets are prefixes."""
    parts: list[Any] = [pt.zeros(size[0])]
    start = 0
    for n, later in pairwise(size):
        parts.append(values[start : start + later])
        start += n
    return pt.concatenate(parts)


def _shared(pt: Any, away: Any, rows: Sessions, *, lasting: Any, passing: Any) -> Any:
    """Density of deviations that share a normal part within a case: lasting of the eye, passing of the session."""
    sessions = np.bincount(rows.case, minlength=rows.n_cases).astype(float)
    total = pt.inc_subtensor(pt.zeros(rows.n_cases)[rows.case], away)
    among = passing**2 + sessions * lasting**2
    square = (away**2).sum() / passing**2 - (lasting**2 * total**2 / (passing**2 * among)).sum()
    logs = (2.0 * (sessions - 1.0) * pt.log(passing) + pt.log(among)).sum()
    return -0.5 * (square + logs)


def _grades(pm: Any, pt: Any, rows: Sessions, share: Any, variance: Any) -> None:
    """Grades about the share cleared; at the ends "no more" and "no less than"."""
    known = np.isfinite(rows.cleared)
    low, top = known & (rows.cleared <= EDGE), known & (rows.cleared >= 1.0 - EDGE)
    between = np.flatnonzero(known & ~low & ~top)
    error = pt.sqrt(variance)
    total = pm.logp(pm.Normal.dist(share[between], error[between]), rows.cleared[between]).sum()
    standard = pm.Normal.dist(0.0, 1.0)
    for at, away in ((top, share - (1.0 - EDGE)), (low, EDGE - share)):
        if at.any():
            rows_at = np.flatnonzero(at)
            total = total + pm.logcdf(standard, away[rows_at] / error[rows_at]).sum()
    pm.Potential("grades", total)


def _told_by_rating(
    rows: Sessions, graded: _Graded, removed: Any, share: Any, spreads: Mapping[str, Any]
) -> Any:
    """What a rating tells of the log of what its session removed: inverse of a variance, 0 without one."""
    r, left = np.exp(graded.guess), np.exp(-graded.total)
    tilt = np.nan_to_num((rows.bother + 0.5) * (10.5 - rows.bother) / 11.0)
    # slopes of the state in log r
    fall = removed * r * np.sqrt(np.sqrt(left))
    pull = fall + share * r * (left - BENT * np.sqrt(np.sqrt(left)))
    level = spreads["eye"] ** 2 + spreads["drift"] ** 2 + (spreads["fall"] * fall) ** 2
    doubt = spreads["noise"] ** 2 + tilt**2 * level
    return (tilt * pull) ** 2 / doubt


def _before(pm: Any, pt: Any, rows: Sessions) -> Any:
    """Bother before the first session on the logit scale, what was not noted being sampled."""
    mean, sd = pm.Normal("before_mean", 0.5, 1.0), pm.HalfNormal("before_sd", 1.0)
    before = rows.before
    known = np.isfinite(before)
    pm.Potential("before", pm.logp(pm.Normal.dist(mean, sd), before[known]).sum())
    start = pt.as_tensor_variable(np.where(known, before, 0.0))
    if not known.all():
        raw = pm.Normal("before_missing", 0.0, 1.0, shape=int((~known).sum()))
        start = pt.set_subtensor(start[np.flatnonzero(~known)], mean + sd * raw)
    return start


def _rating(pt: Any, logit: Any) -> Any:
    """Points of 0 to 10."""
    return pt.clip(11.0 * pt.sigmoid(logit) - 0.5, 0.0, 10.0)
