"""What a posterior says of a case's course, given the other cases of its patient: whether or not it was fitted."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from retreat.checks.parts import Part, without
from retreat.errors import Fault, FitError
from retreat.fitting.bayes import fit_posterior
from retreat.fitting.design import Design
from retreat.fitting.nested.courses import Courses, lay_out
from retreat.fitting.nested.likelihood import Draws, case_log_likelihood
from retreat.fitting.posterior import Posterior

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# a draw under which a course cannot be, in single precision
_LEAST = -100.0
# cases of patients with several looked at together: few, so that many draws fit into a block of the likelihood
_TOGETHER = 32


@dataclass(frozen=True)
class Outlook:
    """A posterior of some cases of a design, that looks at any of them.

    Parameters
    ----------
    whole : Design
        All cases.
    part : Part
        Those it was fitted to.
    posterior : Posterior
        Of the part.
    seed : int
        Of operators it has not seen.
    """

    whole: Design
    part: Part
    posterior: Posterior
    seed: int

    def log_likelihood(self, cases: IntArray) -> FloatArray:
        """Log chance of the courses as seen, given the patients' other cases, shape (draws, cases)."""
        return self._log_chance(cases, self.whole.sessions[cases], self.whole.ending[cases])

    def log_going_on(self, cases: IntArray, sessions: IntArray) -> FloatArray:
        """Log chance of still being in treatment after so many sessions, shape (draws, cases)."""
        return self._log_chance(cases, sessions, np.zeros_like(sessions))

    def _log_chance(self, cases: IntArray, sessions: IntArray, ending: IntArray) -> FloatArray:
        draws = self._draws()
        over = self.posterior.kinds()
        out = np.empty((self.posterior.n_draws, len(cases)))
        # where patients are all of one kind, their other cases tell nothing
        several = np.bincount(self.whole.patient)[self.whole.patient[cases]] > 1
        several &= len(over.node) > 1
        together = np.flatnonzero(several)
        groups = [np.flatnonzero(~several), *np.split(together, range(_TOGETHER, len(together), _TOGETHER))]
        for group in groups:
            if len(group):
                courses = self._courses(
                    cases[group], sessions[group], ending[group], alone=not several[group[0]]
                )
                out[:, group] = case_log_likelihood(courses, draws, over)[:, : len(group)]
        return np.maximum(np.nan_to_num(out, copy=False, nan=_LEAST, neginf=_LEAST), _LEAST)

    def _courses(self, cases: IntArray, sessions: IntArray, ending: IntArray, *, alone: bool) -> Courses:
        """Each case as a patient of its own, with the other cases of its patient; the cases asked for first."""
        rows, patient = [cases], [np.arange(len(cases))]
        for number in range(0 if alone else len(cases)):
            others = np.flatnonzero(self.whole.patient == self.whole.patient[cases[number]])
            others = others[others != cases[number]]
            rows.append(others)
            patient.append(np.full(len(others), number))
        at, beside = np.concatenate(rows), np.concatenate(rows[1:]) if len(rows) > 1 else cases[:0]
        operator = self.part.operator[self.whole.operator[at]]
        asked = replace(
            self.whole,
            X=self.whole.X[at],
            sessions=np.concatenate([sessions, self.whole.sessions[beside]]),
            ending=np.concatenate([ending, self.whole.ending[beside]]),
            patient=np.concatenate(patient).astype(np.int64),
            operator=np.where(operator < 0, self.part.design.n_operators, operator),
        )
        own = self.posterior.courses.own
        longest = max(len(own), int(asked.sessions.max()))
        # past the last session fitted its effect is carried on, as in a forecast
        return replace(lay_out(asked), own=own[np.minimum(np.arange(longest), len(own) - 1)])

    def _draws(self) -> Draws:
        found = self.posterior
        operator = found.operator_effect
        if operator.shape[2]:
            rng = np.random.default_rng(self.seed)
            unseen = rng.standard_normal(found.operator_sd.shape) * found.operator_sd
            operator = np.concatenate([operator, unseen[..., None]], axis=2)
        return replace(found.likelihood_draws(), operator=operator)


def refitted(design: Design, left_out: IntArray, *, seed: int) -> Outlook:
    """The definition of a design fitted without some cases.

    Parameters
    ----------
    design : Design
        The whole.
    left_out : ndarray of int
        Positions of the cases left out.
    seed : int
        Of the fit.

    Raises
    ------
    FitError
        If the fit fails, or fails its own checks.
    """
    part = without(design, left_out)
    posterior = fit_posterior(part.design, seed=seed)
    if posterior.failures:
        raise FitError(Fault("fit", posterior.failures[0], "a fit that passes its own checks"))
    return Outlook(design, part, posterior, seed)
