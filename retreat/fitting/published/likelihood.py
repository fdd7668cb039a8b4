"""How likely published results are under draws of the hazards, each practice at a level of its own."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from retreat.definitions import Study
from retreat.definitions.studies import MOST_SESSIONS
from retreat.fitting.published.unknowns import Levels

FloatArray = NDArray[np.float64]

# levels of a practice on which its likelihood is averaged, in standard deviations: for the shipped studies the mean
# error of the log likelihood over the posterior is 7e-4 (29 levels: 5e-3; held against 401 in the tests)
_NODES = np.linspace(-3.9, 3.9, 37)
# draws worked on together: arrays of (draws, nodes, eyes) that stay in cache
_BLOCK = 100
_TINY = 1e-12
_LOG_ODDS = np.linspace(-28.0, 28.0, 5601)  # as far as a share that is neither 0 nor 1 goes


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


def courses(odds: Iterable[Iterable[FloatArray]], lost: FloatArray, mix: FloatArray | None = None) -> Courses:
    """Courses from the odds of each end at each session against going on.

    Parameters
    ----------
    odds : iterable of pairs of ndarray of float
        Session by session the odds of relief and of stopping, each of shape (...).
    lost : ndarray of float, broadcasts to (...)
        Share of those going on that is lost after each session.
    mix : ndarray of float, shape (eyes, mixes), optional
        Shares of the eyes, which are the last axis of the odds, in each mix of them; the last axis is then of mixes.

    Examples
    --------
    >>> seen = courses(np.full((2, 2, 1), 0.5), np.array([0.2]))
    >>> seen.told.ravel().round(2).tolist(), seen.relieved.ravel().round(2).tolist()
    ([1.0, 0.4, 0.16], [0.25, 0.1])
    """
    kept = 1.0 - lost
    told: list[FloatArray] = []
    ends: tuple[list[FloatArray], list[FloatArray]] = ([], [])
    before: FloatArray | float = 1.0
    for relieved, stopped in odds:
        going_on = before / (1.0 + relieved + stopped)
        for end, odds_of_end in zip(ends, (relieved, stopped), strict=True):
            end.append(_mixed(going_on * odds_of_end, mix))
        before = going_on * kept
        told.append(_mixed(before, mix))
    return Courses(np.stack([np.ones_like(told[0]), *told]), np.stack(ends[0]), np.stack(ends[1]))


def _mixed(share: FloatArray, mix: FloatArray | None) -> FloatArray:
    if mix is None:
        return share
    # one flat product is several times faster than many small ones
    return np.asarray((share.reshape(-1, len(mix)) @ mix).reshape(*share.shape[:-1], -1))


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
    that is read as a bound counts by the chance that the true share of the study lies above (at most) or below
    (at least), from its own count and a flat prior: nothing is said of how far. A mean told per patient is averaged
    over the eyes that it may add up.

    Parameters
    ----------
    study : Study
        What is reported.
    value : ndarray of float
        Share or mean of the eyes.

    Examples
    --------
    >>> from retreat.definitions import read_definition
    >>> (trial,) = (one for one in read_definition("published").studies if one.ids == ("L30",))
    >>> trial.what.split(" with")[0], log_likelihood_of(trial, np.array([0.3, 0.528, 0.8])).round(1).tolist()
    ('19 of 36 eyes', [-14.5, -12.4, -15.8])
    """
    if study.statistic == "mean_sessions":
        return _of_mean(study, value)
    share = np.clip(value, _TINY, 1.0 - _TINY)
    n = study.n or 1
    yes = study.weight * (study.count or 0) / n
    no = study.weight - yes
    if study.reads == "equals":
        return np.asarray(yes * np.log(share) + no * np.log1p(-share))
    # read off a table: a beta share anew for every draw and level would take most of the time
    odds = np.log(share) - np.log1p(-share)
    return np.asarray(np.interp(odds, _LOG_ODDS, _bound(yes, no, study.reads)))


@lru_cache(maxsize=64)
def _bound(yes: float, no: float, reads: str) -> FloatArray:
    """Log chance that a true share lies beyond the one of these log odds, after so many yes and no."""
    from scipy.special import betainc, betaincc, expit  # heavy: only whoever fits pays for it

    beyond = betaincc if reads == "at_most" else betainc
    return np.asarray(np.log(np.maximum(beyond(yes + 1.0, no + 1.0, expit(_LOG_ODDS)), 1e-300)))


def _of_mean(study: Study, value: FloatArray) -> FloatArray:
    told, error = float(study.mean or 0.0), float(study.sd or 0.0) / np.sqrt(study.weight)
    fewest, most = study.eyes_per_patient
    low = (fewest * value - told) / error
    if most == fewest:
        return np.asarray(-0.5 * low**2)
    from scipy.special import log_ndtr

    high = (most * value - told) / error
    # normal density averaged over evenly likely eyes: a difference of normal shares, taken in the tail that holds less
    flip = low + high > 0
    larger = log_ndtr(np.where(flip, -low, high))
    smaller = log_ndtr(np.where(flip, -high, low))
    return np.asarray(
        larger + np.log1p(-np.exp(smaller - larger)) - np.log(high - low) + 0.5 * np.log(2 * np.pi)
    )


def log_likelihood(
    levels: Levels,
    studies: Sequence[Study],
    eyes: Mapping[str, FloatArray],
    *,
    nodes: FloatArray = _NODES,
) -> FloatArray:
    """Log likelihood of all studies, the level of relief of each practice averaged over, shape (draws,).

    Parameters
    ----------
    levels : Levels
        Draws.
    studies : sequence of Study
        What is reported; studies of one practice share its levels.
    eyes : mapping of str to ndarray of float, shape (eyes, columns)
        Coded eyes that stand for each kind of opacity, alike in weight.
    nodes : ndarray of float
        Levels of a practice to average over, evenly spaced, in standard deviations.
    """
    practices: dict[str, list[Study]] = {}
    for study in studies:
        practices.setdefault(study.practice, []).append(study)
    total = np.zeros(len(levels.lost))
    for start in range(0, len(total), _BLOCK):
        rows = slice(start, start + _BLOCK)
        block = levels.chosen(rows)
        for i, reported in enumerate(practices.values()):
            total[rows] += _of_practice(block, block.stopping[:, i], reported, eyes, nodes)
    return total


def _last_needed(study: Study) -> int:
    """Sessions to follow for a statistic: up to its last, or to before its first where the share is open."""
    first, last = study.sessions
    return max(first - 1, 1) if last == MOST_SESSIONS and study.statistic == "share_with" else last


def _of_practice(
    levels: Levels,
    stopping: FloatArray,
    studies: Sequence[Study],
    eyes: Mapping[str, FloatArray],
    nodes: FloatArray,
) -> FloatArray:
    kinds = list(dict.fromkeys(kind for study in studies for kind in study.kinds))
    case = np.einsum("ip,dep->edi", np.concatenate([eyes[kind] for kind in kinds]), levels.coefficients)
    own = levels.between_sd[:, :1] * nodes  # (draws, nodes)
    relieved = np.exp(case[0][:, None] + own[:, :, None])  # (draws, nodes, eyes)
    stopped = np.exp(case[1] + stopping[:, None])[:, None]
    last = max(_last_needed(study) for study in studies)
    at = np.minimum(np.arange(last), levels.session_effects.shape[-1] - 1)
    effects = np.exp(levels.session_effects[..., at])[..., None, None]  # (draws, ends, sessions, 1, 1)
    odds = ((effects[:, 0, k] * relieved, effects[:, 1, k] * stopped) for k in range(last))
    mix = np.stack([_shares(study, kinds, eyes) for study in studies], axis=1)
    seen = courses(odds, levels.lost[:, None, None], mix)
    log_weight = -0.5 * nodes**2
    log_weight = log_weight - np.log(np.exp(log_weight).sum())
    found = np.broadcast_to(log_weight, own.shape).copy()  # (draws, nodes)
    for i, study in enumerate(studies):
        mixed = Courses(seen.told[..., i], seen.relieved[..., i], seen.stopped[..., i])
        found += log_likelihood_of(study, summary(study, mixed))
    largest = found.max(axis=1)
    return np.asarray(largest + np.log(np.exp(found - largest[:, None]).sum(axis=1)))


def _shares(study: Study, kinds: Sequence[str], eyes: Mapping[str, FloatArray]) -> FloatArray:
    """Share of each eye that stands for the kinds, shape (eyes,), in a study."""
    each = [np.full(len(eyes[kind]), study.kinds.get(kind, 0.0) / len(eyes[kind])) for kind in kinds]
    share = np.concatenate(each)
    return np.asarray(share / share.sum())
