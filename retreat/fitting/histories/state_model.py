"""The state model of a course in PyMC: what a session clears, the bother left, the decision to end.

The log of what each session removed is sampled; what stays with an eye is integrated out, since given the sessions its
deviations are normal with one shared part (compound symmetry).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat.definitions.histories import HistoryEntry
from retreat.fitting.histories.sessions import Sessions
from retreat.model.history.state import (
    BEFORE,
    BOTHER,
    LOG_REMOVED,
    LOW_ANGLE,
    MOST_REMOVED,
    REMOVED,
    SHARE,
    STEPS,
    TOP_ANGLE,
    WORTH,
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
    "clear_eye_sd", "clear_luck_sd", "grade_sd", "bother_level", "bother_case", "bother_before", "bother_removed",
    "bother_share", "bother_session", "bother_few", "bother_many", "bother_eye_sd", "bother_noise_sd",
    "before_mean", "before_sd", "end_level", "end_case", "end_session", "end_removed", "end_share", "end_bother",
    "end_before", "end_worth", "end_few", "end_many", "end_operator_sd", "end_patient",
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
        level = make.normal("clear_level")
        operator_sd = make.spread("clear_operator", "clear_operator_sd")
        # operators may clear alike: their spread is then near 0, where only standard normals can be sampled
        by_operator = level + operator_sd * pm.Normal(
            "clear_operator_raw", 0.0, 1.0, shape=int(rows.operator.max()) + 1
        )
        mean = (by_operator[rows.operator] + _dot(pt, rows.X, make.normal("clear_case", rows.X.shape[1])))[
            case
        ]
        mean = mean + _steps(pt, make.normal("clear_session", STEPS))[trend]
        mean = mean + make.normal("clear_energy") * rows.energy + make.normal("clear_pulses") * rows.pulses
        error = make.spread("grade", "grade_sd")
        around = pm.Normal("log_removed_raw", 0.0, 1.0, shape=len(case))
        guess, slope = _guess(rows)
        # about as wide as a grade leaves it: the less grades err, the narrower, or the two would hold each other fast
        wide = 1.0 / pt.sqrt(1.0 / _LOG_SCALE**2 + (slope / error) ** 2)
        log_removed = guess + wide * around
        _shared(
            pm,
            pt,
            "cleared",
            log_removed - mean,
            rows,
            lasting=make.spread("clear_eye", "clear_eye_sd"),
            passing=make.spread("clear_luck", "clear_luck_sd"),
        )
        # the standard normal only names the variable; its scale enters as the density of a change of variable does
        pm.Potential("cleared_free", 0.5 * (around**2).sum() + pt.log(wide).sum())
        each = pt.exp(log_removed)
        removed, share = in_shadow(pt.exp(-_running(pt, each, rows.size) / MOST_REMOVED))
        _grades(pm, pt, rows, share, error)

        # bother left
        before, bother = _told(pm, pt, rows)
        mood = make.normal("bother_level") + make.normal("bother_before") * before[case]
        mood = mood + _dot(pt, rows.X, make.normal("bother_case", rows.X.shape[1]))[case]
        mood = mood + make.normal("bother_removed") * (removed - REMOVED)
        mood = mood + make.normal("bother_share") * (share - SHARE)
        mood = mood + _steps(pt, make.normal("bother_session", STEPS))[trend]
        mood = mood + make.normal("bother_few", source="bother_fragments") * rows.few
        mood = mood + make.normal("bother_many", source="bother_fragments") * rows.many
        _shared(
            pm,
            pt,
            "bother",
            bother - mood,
            rows,
            lasting=make.spread("bother_eye", "bother_eye_sd"),
            passing=make.spread("bother_noise", "bother_noise_sd"),
        )

        # the decision to end
        state = [
            ("end_removed", removed - REMOVED),
            ("end_share", share - SHARE),
            ("end_bother", _rating(pt, bother) - BOTHER),
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


def _guess(rows: Sessions) -> tuple[FloatArray, FloatArray]:
    """Log of what each session removed, to begin near, and how fast its grade moves with it, 0 without a grade."""
    # between what the grade says and an ordinary session
    total = -np.log1p(-np.clip(np.sin(rows.cleared) ** 2, 0.02, 0.97))
    guess, slope = np.full(len(total), LOG_REMOVED), np.zeros(len(total))
    known = np.zeros(rows.n_cases)  # removed so far
    start = 0
    for n in rows.size:
        here = slice(start, start + n)
        start += n
        graded = np.isfinite(total[here])
        r = np.maximum(np.where(graded, total[here] - known[:n], np.exp(LOG_REMOVED)), 0.05)
        left = np.exp(-known[:n] - r)
        # d arcsin(sqrt(c)) / dlog r, as in the filter
        slope[here] = np.where(graded, 0.5 * r * np.sqrt(left / (1.0 - left)), 0.0)
        pull = (slope[here] / _ERROR) ** 2
        guess[here] = (LOG_REMOVED / _LOG_SCALE**2 + pull * np.log(r)) / (1.0 / _LOG_SCALE**2 + pull)
        known[:n] += np.exp(guess[here])
    return guess, slope


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


def _shared(pm: Any, pt: Any, name: str, away: Any, rows: Sessions, *, lasting: Any, passing: Any) -> None:
    """Density of deviations that share a normal part within a case: lasting of the eye, passing of the session."""
    sessions = np.bincount(rows.case, minlength=rows.n_cases).astype(float)
    total = pt.inc_subtensor(pt.zeros(rows.n_cases)[rows.case], away)
    among = passing**2 + sessions * lasting**2
    square = (away**2).sum() / passing**2 - (lasting**2 * total**2 / (passing**2 * among)).sum()
    logs = (2.0 * (sessions - 1.0) * pt.log(passing) + pt.log(among)).sum()
    pm.Potential(f"{name}_deviations", -0.5 * (square + logs))


def _grades(pm: Any, pt: Any, rows: Sessions, share: Any, error: Any) -> None:
    """Grades about the share cleared, on the angular scale; at the ends "no more" and "no less than"."""
    angle = pt.arcsin(pt.sqrt(pt.clip(share, 1e-9, 1.0 - 1e-9)))
    known = np.isfinite(rows.cleared)
    low, top = known & (rows.cleared <= LOW_ANGLE), known & (rows.cleared >= TOP_ANGLE)
    between = np.flatnonzero(known & ~low & ~top)
    total = pm.logp(pm.Normal.dist(angle[between], error), rows.cleared[between]).sum()
    standard = pm.Normal.dist(0.0, 1.0)
    if top.any():
        total = total + pm.logcdf(standard, (angle[np.flatnonzero(top)] - TOP_ANGLE) / error).sum()
    if low.any():
        total = total + pm.logcdf(standard, (LOW_ANGLE - angle[np.flatnonzero(low)]) / error).sum()
    pm.Potential("grades", total)


def _told(pm: Any, pt: Any, rows: Sessions) -> tuple[Any, Any]:
    """Bother before the first session and after each, what was not noted being sampled."""
    mean, sd = pm.Normal("before_mean", 0.5, 1.0), pm.HalfNormal("before_sd", 1.0)
    before, bother = rows.before, rows.bother
    known = np.isfinite(before)
    pm.Potential("before", pm.logp(pm.Normal.dist(mean, sd), before[known]).sum())
    start = pt.as_tensor_variable(np.where(known, before, 0.0))
    if not known.all():
        raw = pm.Normal("before_missing", 0.0, 1.0, shape=int((~known).sum()))
        start = pt.set_subtensor(start[np.flatnonzero(~known)], mean + sd * raw)
    noted = np.isfinite(bother)
    after = pt.as_tensor_variable(np.where(noted, bother, 0.0))
    if not noted.all():
        missing = pm.Normal("bother_missing", 0.0, 1.0, shape=int((~noted).sum()))
        pm.Potential("bother_free", 0.5 * (missing**2).sum())  # its density is that of all bother
        after = pt.set_subtensor(after[np.flatnonzero(~noted)], missing)
    return start, after


def _rating(pt: Any, logit: Any) -> Any:
    """Points of 0 to 10."""
    return pt.clip(11.0 * pt.sigmoid(logit) - 0.5, 0.0, 10.0)
