"""A risk-adjusted CUSUM of a yes-or-no outcome, with a threshold found by simulation under the model."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# odds of the outcome that the two sides look for, as multiples of the model's (a doubling is the common choice:
# Steiner and others 2000)
ODDS = (2.0, 0.5)
_RUNS = 4000


@dataclass(frozen=True)
class Threshold:
    """Height at which the chart signals, and how well it finds a change.

    Parameters
    ----------
    height : float
        The chart signals above it.
    planned : int
        Outcomes it was found for.
    false_alarm : float
        Stated chance of a signal on either side within the planned outcomes while the model is right.
    power : tuple of float
        Chance of a signal within them if the odds are those of each of :data:`ODDS` from the start.
    """

    height: float
    planned: int
    false_alarm: float
    power: tuple[float, float]


def cusum(chance: FloatArray, seen: FloatArray) -> FloatArray:
    r"""Risk-adjusted CUSUM after each outcome, one side a row.

    :math:`S_t = \max(0, S_{t-1} + W_t)` with :math:`W_t = y_t \log R - \log(1 - p_t + R p_t)`, the log likelihood
    ratio of odds R times those forecast (Steiner and others 2000 [1]_).

    Parameters
    ----------
    chance : ndarray of float, shape (..., outcomes)
        Forecast chances.
    seen : ndarray of float, shape (..., outcomes)
        0 or 1.

    Returns
    -------
    ndarray of float, shape (2, ..., outcomes)
        Sides for odds of :data:`ODDS`.

    References
    ----------
    .. [1] Steiner SH, Cook RJ, Farewell VT, Treasure T. Monitoring surgical performance using risk-adjusted
       cumulative sum charts. Biostatistics 2000;1:441-452 (from memory).

    Examples
    --------
    Two reliefs where even odds were told: each adds log(2) - log(1.5) to the side that looks for better odds.

    >>> cusum(np.array([0.5, 0.5]), np.array([1.0, 1.0])).round(4).tolist()
    [[0.2877, 0.5754], [0.0, 0.0]]
    """
    odds = np.reshape(ODDS, (2, *([1] * np.ndim(chance))))
    added = _weight(chance, seen, odds)
    out = np.empty(added.shape)
    level = np.zeros(added.shape[:-1])
    for t in range(added.shape[-1]):
        level = np.maximum(0.0, level + added[..., t])
        out[..., t] = level
    return out


def find_threshold(chance: FloatArray, *, planned: int, false_alarm: float, seed: int) -> Threshold:
    """Height that a chart of a right model passes with the stated chance within the planned outcomes.

    Courses of outcomes are simulated with chances drawn from those forecast, in random order.

    Parameters
    ----------
    chance : ndarray of float, shape (outcomes,)
        Chances forecast so far: the mix to come is taken to be like it.
    planned : int
        Outcomes to come in all.
    false_alarm : float in (0, 1)
        Chance of a signal on either side.
    seed : int
        Seed of the simulation.
    """
    rng = np.random.default_rng(seed)
    truths = (1.0, *ODDS)  # the model is right, or odds are these from the start
    odds = np.array(ODDS)[:, None, None]
    level = np.zeros((len(ODDS), len(truths), _RUNS))
    highest = np.zeros((len(truths), _RUNS))
    for _ in range(planned):  # outcome by outcome: nothing of the size (runs, outcomes) is kept
        told, drawn = rng.choice(chance, _RUNS), rng.random(_RUNS)
        # the same draws against the chances of each truth
        seen = np.stack([drawn < r * told / (1.0 - told + r * told) for r in truths])
        level = np.maximum(0.0, level + _weight(told, seen, odds))
        np.maximum(highest, level.max(axis=0), out=highest)
    # as a signal is above it, no more than this share of the runs signal
    height = float(np.quantile(highest[0], 1.0 - false_alarm, method="higher"))
    power = (highest[1:] > height).mean(axis=1)
    return Threshold(height, planned, false_alarm, (float(power[0]), float(power[1])))


def _weight(chance: FloatArray, seen: NDArray[Any], odds: FloatArray) -> FloatArray:
    return np.asarray(seen * np.log(odds) - np.log(1.0 - chance + odds * chance))
