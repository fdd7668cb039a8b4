"""How likely published results are under draws of the hazards, each practice at a level of its own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.definitions import Study
from retreat.definitions.studies import MOST_SESSIONS
from retreat.fitting.published.unknowns import Levels

FloatArray = NDArray[np.float64]

# levels of a practice on which its likelihood is averaged, in standard deviations: for the shipped studies the mean
# error of the log likelihood over the posterior is 1e-4 (41 levels: 1e-3; checked against 801 in the tests)
_NODES = np.linspace(-4.5, 4.5, 61)
# draws worked on together: arrays of (draws, nodes, kinds) that stay in cache
_BLOCK = 250
_TINY = 1e-12


@dataclass(frozen=True)
class Courses:
    """Courses as a report sees them, before session 1, 2, ... and after the last; arrays (sessions, ...).

    Parameters
    ----------
    told : ndarray of float, shape (sessions + 1, ...)
        Share seen to go on after 0, 1, ... sessions: neither ended nor lost.
    relieved, stopped : ndarray of float, shape (sessions, ...)
        Share ending so at each session, and seen.
    """

    told: FloatArray
    relieved: FloatArray
    stopped: FloatArray


def courses(odds: FloatArray, lost: FloatArray) -> Courses:
    """Courses from the odds of each end at each session against going on.

    Parameters
    ----------
    odds : ndarray of float, shape (sessions, 2, ...)
        Odds of relief and of stopping at a session.
    lost : ndarray of float, broadcasts to (...)
        Share of those going on that is lost after each session.

    Examples
    --------
    >>> seen = courses(np.full((2, 2, 1), 0.5), np.array([0.2]))
    >>> seen.told.ravel().round(2).tolist(), seen.relieved.ravel().round(2).tolist()
    ([1.0, 0.4, 0.16], [0.25, 0.1])
    """
    going_on = 1.0 / (1.0 + odds.sum(axis=1))  # (sessions, ...)
    told = np.ones((len(odds) + 1, *going_on.shape[1:]))
    np.cumprod(going_on * (1.0 - lost), axis=0, out=told[1:])
    ends = told[:-1, None] * odds * going_on[:, None]
    return Courses(told, ends[:, 0], ends[:, 1])


def summary(study: Study, seen: Courses) -> FloatArray:
    """What a study's statistic would be, shape (...), were all its eyes like these.

    "Had k sessions" is read as seen to go on after k - 1 and not after k: the course ended at session k in
    any way, or was lost after it.

    Parameters
    ----------
    study : Study
        Whose statistic.
    seen : Courses
        Courses of its mix of eyes.
    """
    first, last = study.sessions
    if study.statistic == "mean_sessions":
        return np.asarray(seen.told[:last].sum(axis=0))
    if study.statistic == "share_with":
        beyond = 0.0 if last == MOST_SESSIONS else seen.told[last]
        return np.asarray((seen.told[first - 1] - beyond) / np.maximum(seen.told[study.more_than], _TINY))
    ends = seen.relieved if study.statistic == "share_relieved" else seen.stopped
    return np.asarray(ends[first - 1 : last].sum(axis=0))


def log_likelihood_of(study: Study, value: FloatArray) -> FloatArray:
    """Log likelihood of what a study reports where its statistic is really this, up to a constant.

    A share is binomial, a mean normal; both with the number of eyes that the study is taken to weigh. A share
    that is read as a bound counts by the chance that the true share of the study lies above, from its
    own count and a flat prior: nothing is said of how far above.

    Parameters
    ----------
    study : Study
        What is reported.
    value : ndarray of float
        Share or mean.

    Examples
    --------
    >>> from retreat.definitions import read_definition
    >>> ring, *_, trial, _ = read_definition("published").studies
    >>> trial.what.split(" with")[0], log_likelihood_of(trial, np.array([0.3, 0.528, 0.8])).round(1).tolist()
    ('19 of 36 eyes', [-14.5, -12.4, -15.8])
    """
    if study.statistic == "mean_sessions":
        error = float(study.sd or 0.0) / np.sqrt(study.weight)
        return np.asarray(-0.5 * ((value - float(study.mean or 0.0)) / error) ** 2)
    share = np.clip(value, _TINY, 1.0 - _TINY)
    n = study.n or 1
    yes = study.weight * (study.count or 0) / n
    no = study.weight - yes
    if study.reads == "at_most":
        from scipy.special import betaincc  # heavy: only whoever fits pays for it

        return np.asarray(np.log(np.maximum(betaincc(yes + 1.0, no + 1.0, share), 1e-300)))
    return np.asarray(yes * np.log(share) + no * np.log1p(-share))


def log_likelihood(
    levels: Levels,
    studies: Sequence[Study],
    columns: Mapping[str, FloatArray],
    *,
    nodes: FloatArray = _NODES,
) -> FloatArray:
    """Log likelihood of all studies, the level of each practice averaged over, shape (draws,).

    Parameters
    ----------
    levels : Levels
        Draws.
    studies : sequence of Study
        What is reported; studies of one practice share its level.
    columns : mapping of str to ndarray of float, shape (columns,)
        Coded typical eye of each kind of opacity.
    nodes : ndarray of float
        Levels of a practice to average over, evenly spaced, in standard deviations.
    """
    practices: dict[str, list[Study]] = {}
    for study in studies:
        practices.setdefault(study.practice, []).append(study)
    total = np.zeros(len(levels.lost))
    for start in range(0, len(total), _BLOCK):
        rows = slice(start, start + _BLOCK)
        for reported in practices.values():
            total[rows] += _of_practice(levels.chosen(rows), reported, columns, nodes)
    return total


def _last_needed(study: Study) -> int:
    """Sessions to follow for a statistic: up to its last, or to before its first where the share is open."""
    first, last = study.sessions
    return max(first - 1, 1) if last == MOST_SESSIONS and study.statistic == "share_with" else last


def _of_practice(
    levels: Levels, studies: Sequence[Study], columns: Mapping[str, FloatArray], nodes: FloatArray
) -> FloatArray:
    kinds = list(dict.fromkeys(kind for study in studies for kind in study.kinds))
    case = np.einsum("kp,dep->edk", np.stack([columns[kind] for kind in kinds]), levels.coefficients)
    last = max(_last_needed(study) for study in studies)
    effects = levels.session_effects[..., np.minimum(np.arange(last), levels.session_effects.shape[-1] - 1)]
    own = levels.between_sd[:, None] * nodes  # (draws, nodes)
    odds = np.empty((last, 2, *own.shape, len(kinds)))
    odds[:, 0] = np.exp(effects[:, 0].T[:, :, None, None]) * np.exp(case[0][:, None] + own[:, :, None])
    odds[:, 1] = np.exp(effects[:, 1].T[:, :, None, None]) * np.exp(case[1])[:, None]
    seen = courses(odds, levels.lost[:, None, None])
    log_weight = -0.5 * nodes**2
    log_weight = log_weight - np.log(np.exp(log_weight).sum())
    found = np.broadcast_to(log_weight, own.shape).copy()  # (draws, nodes)
    for study in studies:
        mix = np.array([study.kinds.get(kind, 0.0) for kind in kinds])
        mixed = Courses(*(part @ (mix / mix.sum()) for part in (seen.told, seen.relieved, seen.stopped)))
        found += log_likelihood_of(study, summary(study, mixed))
    largest = found.max(axis=1)
    return np.asarray(largest + np.log(np.exp(found - largest[:, None]).sum(axis=1)))
