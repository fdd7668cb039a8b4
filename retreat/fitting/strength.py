"""Ridge strength chosen by patient-grouped cross-validation of the log score."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.fitting.hazardfit import Courses, Settings, fit_hazard, log_likelihood

IntArray = NDArray[np.int64]

# strengths tried: from next to nothing to a coefficient held within about 0.1
STRENGTHS = (0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0)
N_FOLDS = 5


def choose_strength(
    courses: Courses, settings: Callable[[float], Settings], groups: IntArray, *, seed: int
) -> float:
    """Strength with the best log score on held-out patients, over :data:`STRENGTHS`.

    Parameters
    ----------
    courses : Courses
        Coded courses.
    settings : callable
        Settings of a fit from a strength.
    groups : ndarray of int, shape (cases,)
        Patients, numbered from 0; all of a patient's cases are held out together.
    seed : int
        Seed of the folds.

    Raises
    ------
    FitError
        If there are fewer patients than folds, or no strength could be fitted in every fold.
    """
    n_groups = int(groups.max()) + 1
    if n_groups < N_FOLDS:
        raise FitError(
            Fault("penalty", f"{n_groups} patients for {N_FOLDS} folds", fix="choose the strength yourself")
        )
    fold = (np.random.default_rng(seed).permutation(n_groups) % N_FOLDS)[groups]
    scores = [sum(_score(courses, settings(s), fold, f) for f in range(N_FOLDS)) for s in STRENGTHS]
    best = int(np.nanargmax(scores)) if np.isfinite(scores).any() else -1
    if best < 0:
        raise FitError(
            Fault("penalty", "no strength could be fitted in every fold", fix="use the definition's priors")
        )
    return STRENGTHS[best]


def _score(courses: Courses, settings: Settings, fold: IntArray, held: int) -> float:
    """Log likelihood of the held-out courses; minus infinity where the fit fails."""
    train, test = courses.rows(fold != held), courses.rows(fold == held)
    try:
        fit = fit_hazard(train, settings)
    except FitError:
        return -np.inf
    coefficients, effects = fit.layout.split(fit.theta)
    last = np.minimum(np.arange(int(test.sessions.max())), effects.shape[1] - 1)
    return log_likelihood(test, coefficients, effects[:, last], settings.link)
