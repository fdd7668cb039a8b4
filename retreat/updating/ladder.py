"""The fits of the rungs and the closed test that chooses among them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from retreat.errors import Fault, FitError
from retreat.fitting.newton import Penalty, Solution, maximise
from retreat.updating.likelihood import FloatArray, Rows, objective
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

    @property
    def log_likelihood(self) -> float:
        """Log likelihood without the penalty."""
        return self.solution.evaluation.value


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
    exact = rows.link == "logit"
    solution = maximise(evaluate, start, penalty, curvature="exact" if exact else "expected")
    if not solution.converged:
        what = f"Newton's method did not converge on the step {step}"
        raise FitError(Fault("step", what, fix="use a lower step, or collect more cases"))
    return RungFit(step, directions, solution, penalty)


def fit_rungs(rows: Rows, ladder: Ladder) -> dict[Step, RungFit]:
    """All rungs up to the highest supported one."""
    return {step: fit_rung(rows, ladder, step) for step in STEPS[: STEPS.index(ladder.supported) + 1]}


def closed_test(fits: Mapping[Step, RungFit], ladder: Ladder) -> tuple[Step, tuple[TestRow, ...]]:
    """The rung chosen, and the tests on the way.

    The highest rung is tested against the model as it is; if that is not significant the model is kept. Else it is
    tested against each rung from the lowest, and the first that it does not beat is taken: a closed test, whose
    chance of changing a model that is right is the level of its first test (Vergouwe and others 2017). Statistics
    are twice the difference of log likelihoods, held against chi-squared with the difference of parameters.

    Parameters
    ----------
    fits : mapping of str to RungFit
        From :func:`fit_rungs`.
    ladder : Ladder
        The same ladder.
    """
    from scipy.stats import chi2  # heavy: only an update pays for it

    top = STEPS[len(fits) - 1]
    found: list[TestRow] = []
    for step in STEPS[: len(fits) - 1]:
        statistic = max(0.0, 2.0 * (fits[top].log_likelihood - fits[step].log_likelihood))
        freedom = ladder.degrees(top) - ladder.degrees(step)
        if freedom == 0:  # a model without columns has no slope: the rung is the one below
            continue
        p = float(chi2.sf(statistic, freedom))
        found.append(TestRow(step, top, statistic, freedom, p, p < LEVEL))
        if p >= LEVEL:
            return step, tuple(found)
    return top, tuple(found)
