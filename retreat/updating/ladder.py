"""The fits of the rungs and the closed test that chooses among them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from retreat.errors import Fault, FitError
from retreat.fitting.newton import Curvature, Evaluation, Penalty, Solution, maximise, solve
from retreat.updating.likelihood import FloatArray, Rows, objective, scores_by_patient
from retreat.updating.rungs import STEPS, Ladder, Step

LEVEL = 0.05
# A hair of a penalty (standard deviation of 10 along each direction, an odds ratio of e^10 for a column): it keeps
# a level finite that separates the ends, and lowers a likelihood that runs to its limit only at infinity by next
# to nothing
_HAIR = 0.01


@dataclass(frozen=True)
class RungFit:
    """One rung fitted: its directions (ends, columns + sessions, m) and how far to go along each (m,)."""

    step: Step
    directions: FloatArray
    solution: Solution
    penalty: Penalty

    @property
    def steps(self) -> FloatArray:
        """How far to go along each direction, shape (m,)."""
        return self.solution.theta


@dataclass(frozen=True)
class TestRow:
    """One likelihood ratio test of the closed procedure."""

    against: Step
    of: Step
    statistic: float
    degrees_of_freedom: int
    p: float
    rejected: bool


def fit_rung(rows: Rows, ladder: Ladder, step: Step) -> RungFit:
    """Maximum likelihood on one rung.

    Raises
    ------
    FitError
        If the model gives no chance to what was seen, or Newton's method does not converge.
    """
    directions = ladder.directions(step)
    m = directions.shape[-1]
    penalty = Penalty(np.zeros(m), np.eye(m) * _HAIR)
    evaluate = objective(rows, directions)
    start = np.zeros(m)
    first = evaluate(start)
    if not np.isfinite(first.value):
        what = "it gives no chance at all to what was seen in some of these cases"
        raise FitError(Fault("model", what, fix="fit a model of the practice's own with the default penalty"))
    if m == 0:
        return RungFit(step, directions, Solution(start, first, True, 0, 0.0), penalty)
    solution = maximise(evaluate, start, penalty, curvature=_curvature(rows))
    if not solution.converged:
        raise _not_converged(step)
    return RungFit(step, directions, solution, penalty)


def closed_test(rows: Rows, ladder: Ladder, spread: FloatArray) -> tuple[Step, tuple[TestRow, ...]]:
    """The rung chosen, and the tests on the way.

    The highest rung is tested against the model as it is; if that is not significant the model is kept. Else it is
    tested against each rung from the lowest, and the first that it does not beat is taken: a closed test, whose
    chance of changing a model that is right is the level of its first test (Vergouwe and others 2017). They take
    the model as known; here it is an estimate, and the practice is compared with whatever the model's own cases left
    open. The model's draws stand for the likelihood of its cases, normal with their mean and covariance V: with z
    its unknowns and x the steps of a rung,

        l(x, z) = log likelihood of the practice's cases at (mean + V^(1/2) z, x), divided by d, - z'z / 2

    is maximised over both on each rung, and twice the differences are held against chi-squared with the difference of
    steps. To first order this is the Wald test of the steps with variance I^-1 + A V A', I their information and A
    how they answer to the model's parameters. d is the design effect of eyes of one patient (Rao and Scott 1984).

    Parameters
    ----------
    rows : Rows
        Courses of the practice.
    ladder : Ladder
        Its ladder.
    spread : ndarray of float, shape (ends, columns + sessions, directions)
        V^(1/2) from :func:`retreat.updating.spread.root`; without directions, the model is taken as known.

    Returns
    -------
    str, tuple of TestRow
        The rung, and the tests in their order.
    """
    from scipy.stats import chi2  # heavy: only an update pays for it

    top = ladder.supported
    if top == "none":
        fit_rung(rows, ladder, top)  # refuses what the model calls impossible
        return top, ()
    fit = fit_rung(rows, ladder, top)
    effect = design_effect(rows, fit)
    best = _joint(rows, ladder, top, spread, effect)
    found: list[TestRow] = []
    for step in STEPS[: STEPS.index(top)]:
        freedom = ladder.degrees(top) - ladder.degrees(step)
        if freedom == 0:  # a model without columns has no slope: the rung is the one below
            continue
        statistic = max(0.0, 2.0 * (best - _joint(rows, ladder, step, spread, effect)))
        p = float(chi2.sf(statistic, freedom))
        found.append(TestRow(step, top, statistic, freedom, p, p < LEVEL))
        if p >= LEVEL:
            return step, tuple(found)
    return top, tuple(found)


def design_effect(rows: Rows, fit: RungFit) -> float:
    """How much eyes of one patient add to the variance of the score, at least 1.

    The first-order correction of Rao and Scott 1984 [1]_: mean, over the steps, of the variance of the score with
    whole patients as units over that with eyes as units. Only products of two eyes of a patient are estimated, so
    that where each patient has one eye it is 1.

    References
    ----------
    .. [1] Rao JNK, Scott AJ. On chi-squared tests for multiway contingency tables with cell proportions estimated
       from survey data. Ann Stat 1984;12:46-60 (from memory).
    """
    m = len(fit.steps)
    if not m:
        return 1.0
    by_patient = scores_by_patient(rows, fit.directions, fit.steps)
    eyes = replace(rows, patient=np.arange(len(rows.X)))
    by_eye = scores_by_patient(eyes, fit.directions, fit.steps)
    between = by_patient.T @ by_patient - by_eye.T @ by_eye
    information = fit.solution.evaluation.information + fit.penalty.precision
    added = np.stack([solve(information, column) for column in between.T], axis=1)
    return max(1.0, 1.0 + float(np.trace(added)) / m)


def _joint(rows: Rows, ladder: Ladder, step: Step, spread: FloatArray, effect: float) -> float:
    """Largest log likelihood of a rung and the model's own unknowns together."""
    directions = np.concatenate([spread, ladder.directions(step)], axis=-1)
    n, m = spread.shape[-1], directions.shape[-1]
    evaluate = objective(rows, directions)

    def eased(theta: FloatArray) -> Evaluation:
        found = evaluate(theta)
        return Evaluation(found.value / effect, found.gradient / effect, found.information / effect)

    if m == 0:
        return eased(np.zeros(0)).value
    penalty = Penalty(np.zeros(m), np.diag(np.where(np.arange(m) < n, 1.0, _HAIR)))
    solution = maximise(eased, np.zeros(m), penalty, curvature=_curvature(rows))
    if not solution.converged:
        raise _not_converged(step)
    z = solution.theta[:n]
    return float(solution.evaluation.value - 0.5 * z @ z)


def _curvature(rows: Rows) -> Curvature:
    return "exact" if rows.link == "logit" else "expected"


def _not_converged(step: Step) -> FitError:
    what = f"Newton's method did not converge on the step {step}"
    return FitError(Fault("step", what, fix="use a lower step, or collect more cases"))
