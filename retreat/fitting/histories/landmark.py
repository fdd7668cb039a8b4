"""A model whose forecasts start anew at each landmark from what was noted by then, for clinics that record little.

Landmark super model (van Houwelingen 2007; van Houwelingen and Putter 2012, from memory): cases still in treatment
after 1, 2, ... sessions are stacked with what was known then, and one hazard is fitted to the sessions after. A case
stands in the stack at several landmarks; the sandwich covariance has patients as units for that reason too.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from retreat.counts import person_sessions
from retreat.definitions import Definition
from retreat.definitions.histories import HistoryEntry
from retreat.errors import Fault, FitError
from retreat.fitting.clustered import clustered_covariance, group_scores
from retreat.fitting.design import Design
from retreat.fitting.hazardfit import Courses, HazardFit, Settings, fit_hazard
from retreat.fitting.layout import Layout, pooled_sessions
from retreat.fitting.newton import Penalty
from retreat.model.fitted import Model
from retreat.model.history.landmark import SEEN, UNSEEN, Landmark, covariates, seen
from retreat.model.history.records import Records
from retreat.model.kernel import Parameters

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# cases that went on, and were told of, below which nothing can be learned of what a session shows (our judgement)
_LEAST_TOLD = 20
# and courses ended after the first landmark
_LEAST_ENDED = 10
# a value noted of no fitted case is centred where a usual eye would be after a session (our judgement)
_USUAL = (5.0, 0.3, 0.3, 5.0, 7.0)
# the parameter of the definition that each column of what is seen has its prior from
_PRIOR_OF = {"few": "fragments", "many": "fragments"}
# draws of the model of the cases behind the chance of getting so far: it weighs completions of one case alone
_REACHING_DRAWS = 32


@dataclass(frozen=True)
class Stack:
    """Cases still in treatment at each landmark, and their sessions after it.

    Parameters
    ----------
    standing : ndarray of float, shape (rows, columns)
        One row a case and landmark, from :func:`~retreat.model.history.landmark.covariates`.
    landmark : ndarray of int, shape (rows,)
        Sessions had.
    sessions, ending : ndarray of int, shape (rows,)
        Sessions after the landmark and how they ended (0 still in treatment).
    patient : ndarray of int, shape (rows,)
        Numbered from 0 without holes.
    centres : tuple of float
        Means of what was seen, one value a row.
    noted : ndarray of int, shape (seen,)
        Rows that each value was noted of.
    n_stale : int
        Rows with a share, fragments or bother that was noted before the last session.
    """

    standing: FloatArray
    landmark: IntArray
    sessions: IntArray
    ending: IntArray
    patient: IntArray
    centres: tuple[float, ...]
    noted: IntArray
    n_stale: int

    def pooled(self, pool_below: float) -> IntArray:
        """Position of the effect that each session after a landmark uses, shape (sessions,)."""
        # whoever reaches the sth session after a later landmark reached it after the first one
        reached = self.sessions[self.landmark == 1]
        at_risk = (reached[:, None] > np.arange(self.sessions.max())).sum(axis=0)
        return pooled_sessions(at_risk.astype(float), pool_below)

    def courses(self, pooled: IntArray, n_ends: int) -> tuple[Courses, IntArray]:
        """Every session after a landmark as a course of its own, and the row of each.

        What is seen counts otherwise at the next session than later, which a course of one predictor cannot say.
        """
        row, session, ending = person_sessions(self.sessions, self.ending)
        first = self.standing.shape[1] - len(UNSEEN) - len(SEEN)
        later = self.standing[:, first : first + len(SEEN)][row] * (session > 1)[:, None]
        steps = pooled[session - 1][:, None] > np.arange(int(pooled.max()))
        X = np.concatenate([self.standing[row], later, steps.astype(float)], axis=1)
        return Courses(X, np.ones(len(row), dtype=np.int64), ending, n_ends), row


def with_landmark(base: Model, design: Design, records: Records, *, seed: int) -> Model:
    """Join the landmark model of the same cases to a fitted model.

    Parameters
    ----------
    base : Model
        Fitted to the design; it speaks for eyes of whose sessions nothing is noted.
    design : Design
        The cases.
    records : Records
        What was noted of their sessions, in the order of the design.
    seed : int
        Seed of the draws.

    Raises
    ------
    FitError
        If too few cases went on after a first session with something noted, or too few of them have ended.
    """
    history = history_of(design.definition)
    stack = stacked(design, records, up_to=history.up_to)
    _check(stack)
    pooled = stack.pooled(design.definition.sessions.pool_below)
    fit, covariance = fit_stack(stack, design, pooled)
    rng = np.random.default_rng([seed, 5])
    draws = rng.multivariate_normal(fit.theta, covariance, size=base.parameters.n_draws, method="eigh")
    part = Landmark(
        values=draws,
        n_ends=design.n_ends,
        n_columns=design.X.shape[1],
        n_steps=int(pooled.max()),
        up_to=history.up_to,
        centres=stack.centres,
        link=design.definition.link,
        reaching=_reaching(base.parameters),
    )
    card = replace(
        base.card,
        notes=(*base.card.notes, *_notes(stack)),
        diagnostics={**base.card.diagnostics, "history_newton_steps": float(fit.solution.n_steps)},
    )
    return replace(base, history=part, card=card)


def history_of(definition: Definition) -> HistoryEntry:
    """The history of a definition.

    Raises
    ------
    FitError
        If it has none of this kind.
    """
    history = definition.history
    if history is None or history.kind != "landmark":
        what = f"{definition.name} has no landmark history"
        raise FitError(Fault("definition", what, "a history entry of kind landmark"))
    return history


def stacked(design: Design, records: Records, *, up_to: int) -> Stack:
    """Stack of the landmarks 1 to `up_to`.

    Parameters
    ----------
    design : Design
        The cases.
    records : Records
        What was noted of them, in the order of the design.
    up_to : int, from 1
        Last landmark.

    Raises
    ------
    FitError
        If no case went on after its first session.
    """
    rows = [np.flatnonzero(design.sessions > k) for k in range(1, up_to + 1)]
    if not len(rows[0]):
        what = "no case went on after its first session"
        raise FitError(Fault("sessions", what, "cases with two sessions or more", "fit core"))
    known = [records.rows(chosen).until(k) for k, chosen in enumerate(rows, start=1)]
    noted = np.concatenate([seen(one) for one in known])
    n_noted = np.isfinite(noted).sum(axis=0)
    centres = tuple(
        float(np.nanmean(column)) if n else usual
        for column, n, usual in zip(noted.T, n_noted, _USUAL, strict=True)
    )
    case = np.concatenate(rows)
    landmark = np.repeat(np.arange(1, up_to + 1), [len(chosen) for chosen in rows])
    return Stack(
        standing=np.concatenate(
            [
                covariates(design.X[chosen], one, centres, up_to=up_to)
                for one, chosen in zip(known, rows, strict=True)
            ]
        ),
        landmark=landmark,
        sessions=design.sessions[case] - landmark,
        ending=design.ending[case],
        patient=np.unique(design.patient[case], return_inverse=True)[1].astype(np.int64),
        centres=centres,
        noted=n_noted.astype(np.int64),
        n_stale=sum(int(_stale(one).sum()) for one in known),
    )


def _stale(known: Records) -> NDArray[np.bool_]:
    """Cases of which some value was noted last at an earlier session than their last one."""
    at = np.minimum(known.done, known.cleared.shape[1]) - 1
    missed = known.done > known.cleared.shape[1]  # nothing was noted of anyone so late
    found = []
    for name in ("cleared", "fragments", "bother"):
        now = np.isfinite(getattr(known, name)[np.arange(known.n_cases), at]) & ~missed
        found.append(np.isfinite(known.last(name)) & ~now)
    return np.asarray(np.logical_or.reduce(found))


def _reaching(parameters: Parameters) -> Parameters:
    """Some draws; of a table by level the mean one, as this model does not tell the levels apart either."""
    some = parameters.thinned(min(_REACHING_DRAWS, parameters.n_draws))
    return replace(some, session_effects=some.session_effects.mean(axis=1, keepdims=True))


def fit_stack(stack: Stack, design: Design, pooled: IntArray) -> tuple[HazardFit, FloatArray]:
    """Mode under the definition's priors and its sandwich covariance with patients as units.

    Parameters
    ----------
    stack : Stack
        The landmarks.
    design : Design
        Cases and definition, for the priors.
    pooled : ndarray of int, shape (sessions,)
        From :meth:`Stack.pooled`.

    Returns
    -------
    HazardFit
        Free parameters end by end, in the order of :class:`~retreat.model.history.landmark.Landmark`; then levels.
    ndarray of float, shape (free, free)
    """
    definition = design.definition
    courses, row = stack.courses(pooled, design.n_ends)
    mean, sd = _priors(design, int(pooled.max()))

    def penalty(_: Layout) -> Penalty:
        # with one session a course the level of each end is the only session effect, after the coefficients
        return Penalty(mean, np.diag(sd**-2))

    settings = Settings(
        session_effect="free",
        link=definition.link,
        likelihood="plain",
        pool_below=0,
        unseen="estimated",
        penalty=penalty,
    )
    fit = fit_hazard(courses, settings)
    spread = fit.covariance()
    scores = group_scores(fit, courses, stack.patient[row], definition.link)
    # what the priors hold fast is not spent, as in the fit of the cases
    spent = len(spread) - float(np.einsum("ij,ji->", spread, fit.penalty.precision))
    return fit, clustered_covariance(fit, scores, spent=max(spent, 1.0))


def _priors(design: Design, n_steps: int) -> tuple[FloatArray, FloatArray]:
    """Prior means and standard deviations of the free parameters, two arrays of shape (free,)."""
    history, ends = history_of(design.definition), design.definition.ends
    names = (
        "landmark",
        *(_PRIOR_OF.get(name, name) for name in SEEN),
        *["not_recorded"] * len(UNSEEN),
        *["later"] * len(SEEN),
        *["since"] * n_steps,
    )
    own = np.array([[history.normal(name, end) for name in names] for end in ends])  # (ends, names, 2)
    case = np.stack(design.definition.coefficient_priors(design.coding), axis=-1)
    level = np.array([history.normal("level", end) for end in ends])
    flat = np.concatenate([np.concatenate([case, own], axis=1).reshape(-1, 2), level])
    return flat[:, 0], flat[:, 1]


def _check(stack: Stack) -> None:
    first = stack.landmark == 1
    unknown = stack.standing[first, -len(UNSEEN) : -1]  # bother before the course is not told by a session
    told = int((~unknown.astype(bool)).any(axis=1).sum())
    ended = int((stack.ending[first] > 0).sum())
    fix = "record more sessions, or fit core"
    faults = []
    if told < _LEAST_TOLD:
        what = f"{told} cases that went on have cleared, fragments or bother noted of their first session"
        faults.append(Fault("visits", what, f"at least {_LEAST_TOLD}", fix))
    if ended < _LEAST_ENDED:
        what = f"{ended} cases ended after a second or later session"
        faults.append(
            Fault("ending", what, f"at least {_LEAST_ENDED}", "wait for more courses to end, or fit core")
        )
    if faults:
        raise FitError(faults)


def _notes(stack: Stack) -> tuple[str, ...]:
    """What the sessions taught, and what they could not."""
    cases = int((stack.landmark == 1).sum())
    never = [name for name, n in zip(SEEN, stack.noted, strict=True) if not n and name != "many"]
    told = (
        f"{len(stack.landmark)} landmarks of {cases} cases that went on were fitted; eyes of whose sessions nothing is "
        "noted are forecast from their features and the number of sessions alone"
    )
    age = (
        f"a value noted stands at later landmarks as it was noted, without its age: so it is at {stack.n_stale} of "
        f"{len(stack.landmark)} landmarks fitted"
    )
    words = {"few": "fragments", "before": "bother before the course"}
    return (
        told,
        age,
        *(
            f"{words.get(name, name)} was never noted of the fitted cases: its effect is what the prior says"
            for name in never
        ),
    )
