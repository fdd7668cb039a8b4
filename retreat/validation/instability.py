"""Instability: how far the prediction for one case moves when the model is fitted to other patients like these."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from retreat.validation._checked import FloatArray


@dataclass(frozen=True)
class Instability:
    """Predictions of one end by one session, by the whole model and by the models of the resamples.

    Parameters
    ----------
    end : str
        Which end.
    horizon : int
        By which session.
    n_resamples : int
        Models refitted.
    predicted : ndarray of float, shape (cases,)
        By the whole model.
    low, high : ndarray of float, shape (cases,)
        2.5th and 97.5th percentile of the refitted models' predictions for the case.
    error : ndarray of float, shape (cases,)
        Mean absolute difference of the refitted models' predictions from the whole model's.
    """

    end: str
    horizon: int
    n_resamples: int
    predicted: FloatArray
    low: FloatArray
    high: FloatArray
    error: FloatArray

    @property
    def mean_error(self) -> float:
        """Mean absolute prediction error over cases."""
        return float(self.error.mean())

    @property
    def widest(self) -> float:
        """Width that 95 of 100 cases' intervals stay below."""
        return float(np.quantile(self.high - self.low, 0.95))


def instability(predicted: FloatArray, refitted: FloatArray, *, end: str, horizon: int) -> Instability:
    """Instability of the predictions (Riley and Collins 2023 [1]_).

    Parameters
    ----------
    predicted : ndarray of float, shape (cases,)
        By the whole model.
    refitted : ndarray of float, shape (resamples, cases)
        By the models of the resamples.
    end : str
        Which end.
    horizon : int
        By which session.

    References
    ----------
    .. [1] Riley RD, Collins GS. Stability of clinical prediction models developed using statistical or machine
       learning methods. Biom J 2023;65:2200302 (from memory).

    Examples
    --------
    >>> found = instability(np.array([0.5]), np.array([[0.4], [0.6]]), end="relieved", horizon=3)
    >>> round(found.mean_error, 3)
    0.1
    """
    low, high = np.quantile(refitted, (0.025, 0.975), axis=0)
    error = np.abs(refitted - predicted).mean(axis=0)
    return Instability(end, horizon, len(refitted), predicted, low, high, error)
