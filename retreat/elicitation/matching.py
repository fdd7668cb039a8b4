"""Priors matched to answers: penalised multinomial likelihood of what an operator says, and what it tells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.coding import Coding
from retreat.definitions import Definition
from retreat.elicitation.answers import Answers, Question
from retreat.elicitation.eyes import coded
from retreat.errors import Fault, FitError
from retreat.hazard import hazards_and_going_on

FloatArray = NDArray[np.float64]

# What an operator may be believed to have in mind when the answers fit better than chance allows. Our judgement:
# nobody remembers more than some twenty eyes of a kind one by one, and smooth answers come from a rule of thumb.
MOST_IN_MIND = 20.0
LEAST_IN_MIND = 1.0
# when too few answers are left over to tell from their misfit
_USUALLY_IN_MIND = 10.0
_LEAST_OVER = 2.0
_N_STEPS = 100
_TOLERANCE = 1e-10


@dataclass(frozen=True)
class Task:
    """The answers and the prior they are matched to, as arrays.

    Parameters are the first session's effect of each end, coefficients end by end, and the drift of each end
    from session to session, which the file of a definition cannot hold and which is only allowed for.

    Parameters
    ----------
    design : ndarray, shape (eyes, ends, sessions, parameters)
        Linear predictor of each eye.
    cells : list of ndarray, each of shape (cells, outcomes)
        For each eye, which outcomes each told share adds up. Outcomes are the ends by session, then still
        being in treatment after the last.
    told : list of ndarray, each of shape (cells,)
        Shares told, adding to 1.
    mean, precision : ndarray, shape (parameters,)
        The definition's own prior.
    n_written : int
        Parameters that a definition can hold; the drift comes after them.
    alike : bool
        Whether the same was said of every eye.
    """

    design: FloatArray
    cells: list[FloatArray]
    told: list[FloatArray]
    mean: FloatArray
    precision: FloatArray
    n_written: int
    alike: bool

    @property
    def n_told(self) -> int:
        """Shares told that do not follow from others of the same eye."""
        return sum(len(shares) - 1 for shares in self.told)


@dataclass(frozen=True)
class Match:
    """Where answers and prior meet.

    Parameters
    ----------
    centre : ndarray, shape (parameters,)
        Most likely parameters.
    covariance : ndarray, shape (parameters, parameters)
        Inverse of the information of the answers and the prior.
    in_mind : float
        Eyes the answers of one described eye were taken to stand for.
    source : str
        Where that number comes from, in words.
    """

    centre: FloatArray
    covariance: FloatArray
    in_mind: float
    source: str


def task(answers: Answers, definition: Definition, coding: Coding) -> Task:
    """The answers and the definition's own prior as arrays.

    Raises
    ------
    FitError
        If the definition has another link than logit, or session effects without a level in common.
    """
    _check(definition, answers.n_sessions)
    X = coded(answers.eyes, definition, coding)
    ends, sessions, columns = len(definition.ends), answers.n_sessions, X.shape[1]
    mean, sd = definition.coefficient_priors(coding)
    first_mean, first_sd = definition.first_session_priors()
    drift = _drift(definition, sessions)  # (sessions, drifts of an end)
    n_written = ends * (1 + columns)
    design = np.zeros((len(X), ends, sessions, n_written + ends * drift.shape[1]))
    for j in range(ends):
        design[:, j, :, j] = 1.0
        design[:, j, :, ends + j * columns : ends + (j + 1) * columns] = X[:, None, :]
        start = n_written + j * drift.shape[1]
        design[:, j, :, start : start + drift.shape[1]] = drift
    step = definition.sessions.step
    steps = np.full(ends * drift.shape[1], 1.0 if step is None else step.sd)
    cells, told = zip(
        *[_cells(row, answers.questions, ends, sessions) for row in answers.counts], strict=True
    )
    return Task(
        design=design,
        cells=list(cells),
        told=list(told),
        mean=np.concatenate([first_mean, mean.ravel(), np.zeros(len(steps))]),
        precision=np.concatenate([first_sd, sd.ravel(), steps]) ** -2.0,
        n_written=n_written,
        alike=answers.alike,
    )


def match(work: Task, *, in_mind: float | None) -> Match:
    """Most likely parameters given the answers as counts out of `in_mind` eyes each, and the prior.

    The answers enter as the likelihood of a multinomial sample, so that the result is what the prior would
    become after seeing such eyes (conditional means priors, Bedrick, Christensen and Johnson 1996, from memory).
    Without a number given, it is the one at which Pearson's statistic equals the answers left over after the
    fit: the better the answers hang together, the more eyes they are worth, at most 20. The same answers for every
    eye hang together of themselves, and count as one answer shared out over the eyes.

    Parameters
    ----------
    work : Task
        From :func:`task`.
    in_mind : float above 0, or None
        Eyes the operator has in mind.

    Raises
    ------
    FitError
        If the number is out of range or the search does not end.
    """
    if in_mind is not None:
        if not 0 < in_mind <= 100:
            raise FitError(Fault("eyes_in_mind", f"{in_mind:g}", "above 0, at most 100"))
        return _at(work, in_mind, "as given")
    if work.alike:
        shared = _USUALLY_IN_MIND / len(work.told)
        return _at(
            work, shared, f"the same answers for all {len(work.told)}: one answer, shared out over them"
        )
    m, found = _USUALLY_IN_MIND, work.mean
    for _ in range(_N_STEPS):
        found, information = _mode(work, m, found)
        p = [cells @ outcome for cells, outcome in zip(work.cells, _outcomes(work, found)[0], strict=True)]
        misfit = sum(float(((t - q) ** 2 / q).sum()) for t, q in zip(work.told, p, strict=True))
        total = information + np.diag(work.precision)
        over = work.n_told - float(np.trace(np.linalg.solve(total, information)))
        if over < _LEAST_OVER:
            return _at(work, _USUALLY_IN_MIND, "assumed: too few answers to tell from how they hang together")
        new = float(np.clip(over / max(misfit, 1e-12), LEAST_IN_MIND, MOST_IN_MIND))
        if abs(new - m) < 1e-4 * m:
            break
        m = float(np.sqrt(m * new))
    else:
        return _at(work, _USUALLY_IN_MIND, "assumed: the answers do not settle it")
    source = "from how well the answers hang together"
    if new == MOST_IN_MIND:
        source += "; no answers are taken for more unless you say so"
    return _at(work, new, source)


def share_by(work: Task, parameters: FloatArray, question: Question) -> tuple[FloatArray, FloatArray]:
    """Share of each eye that has ended so by the session, (eyes,), and its gradient, (eyes, parameters)."""
    outcomes, gradient = _outcomes(work, parameters)
    ends, sessions = work.design.shape[1:3]
    chosen = np.zeros(ends * sessions + 1)
    chosen[question.end * sessions : question.end * sessions + question.session] = 1.0
    return outcomes @ chosen, np.einsum("nop,o->np", gradient, chosen)


def _check(definition: Definition, sessions: int) -> None:
    faults = []
    if definition.link != "logit":
        faults.append(
            Fault("link", definition.link, "logit", "answers can be turned into a logit prior only")
        )
    if definition.sessions.effect == "free" and sessions > 1:
        fix = 'write effect = "smooth" with a step under [sessions]'
        faults.append(
            Fault("sessions.effect", "free: sessions have no level in common", "smooth, linear", fix)
        )
    if definition.studies:
        fix = "start from a definition without studies, such as core"
        why = "published results enter it as studies beside its priors, and answers would count again"
        faults.append(Fault("model", f"{definition.name}: {why}", "a definition of priors alone", fix))
    if faults:
        raise FitError(faults)


def _drift(definition: Definition, sessions: int) -> FloatArray:
    """How a unit of each drift moves each session's effect, shape (sessions, drifts)."""
    if sessions == 1:
        return np.zeros((1, 0))
    if definition.sessions.effect == "linear":
        return np.arange(sessions, dtype=float)[:, None]
    return np.tri(sessions, sessions - 1, -1)


def _cells(
    counts: FloatArray, questions: tuple[Question, ...], ends: int, sessions: int
) -> tuple[FloatArray, FloatArray]:
    """Outcomes that each told share of one eye adds up, and the shares; what is left over is the last."""
    rows, told = [], []
    before = 0.0
    for value, question in zip(counts, questions, strict=True):
        if np.isnan(value):
            continue
        row = np.zeros(ends * sessions + 1)
        start = question.end * sessions
        if question.end == 0:
            row[start + question.session - 1] = 1.0
            told.append((value - before) / 100.0)
            before = value
        else:
            row[start : start + question.session] = 1.0
            told.append(value / 100.0)
        rows.append(row)
    rows.append(1.0 - np.sum(rows, axis=0))
    told.append(1.0 - sum(told))
    return np.array(rows), np.clip(np.array(told), 0.0, 1.0)


def _outcomes(work: Task, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Probability of each outcome of each eye, (eyes, outcomes), and its gradient (eyes, outcomes, parameters)."""
    eta = work.design @ parameters  # (eyes, ends, sessions)
    hazards, going_on = hazards_and_going_on(eta, "logit")
    eyes, ends, sessions = eta.shape
    staying = np.concatenate([np.ones((eyes, 1)), np.cumprod(going_on, axis=1)], axis=1)  # after 0, 1, ...
    p = np.concatenate(
        [(staying[:, None, :-1] * hazards).reshape(eyes, -1), staying[:, -1:]], axis=1
    )  # (eyes, outcomes)
    # the log of an outcome at session k falls by the hazard for each session before it and at it, and rises by
    # its own predictor
    by_session = np.einsum("nls,nlsp->nsp", hazards, work.design)
    passed = np.cumsum(by_session, axis=1)  # (eyes, sessions, parameters)
    own = work.design.reshape(eyes, ends * sessions, -1)
    log_gradient = np.concatenate([own - np.tile(passed, (1, ends, 1)), -passed[:, -1:]], axis=1)
    return p, p[..., None] * log_gradient


def _mode(work: Task, m: float, start: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Most likely parameters by Fisher scoring, and the information of the answers there."""
    now = start
    value, score, information = _evaluate(work, m, now)
    for _ in range(_N_STEPS):
        step = np.linalg.solve(
            information + np.diag(work.precision), score - work.precision * (now - work.mean)
        )
        share = 1.0
        while True:
            new = now + share * step
            new_value, new_score, new_information = _evaluate(work, m, new)
            if new_value >= value - 1e-12 * abs(value) or share < 1e-6:
                break
            share /= 2
        now, value, score, information = new, new_value, new_score, new_information
        if np.abs(share * step).max() < _TOLERANCE:
            return now, information
    return now, information


def _evaluate(work: Task, m: float, parameters: FloatArray) -> tuple[float, FloatArray, FloatArray]:
    """Log posterior, score of the answers and their expected information."""
    outcomes, gradients = _outcomes(work, parameters)
    away = parameters - work.mean
    value = -0.5 * float(work.precision @ away**2)
    score = np.zeros(len(parameters))
    information = np.zeros((len(parameters), len(parameters)))
    for cells, told, outcome, gradient in zip(work.cells, work.told, outcomes, gradients, strict=True):
        p = np.maximum(cells @ outcome, 1e-300)
        dp = cells @ gradient  # (cells, parameters)
        value += m * float(told @ np.log(p))
        score += m * (told / p) @ dp
        information += m * (dp / p[:, None]).T @ dp
    return value, score, information


def _at(work: Task, m: float, source: str) -> Match:
    centre, information = _mode(work, m, work.mean)
    return Match(centre, np.linalg.inv(information + np.diag(work.precision)), m, source)
