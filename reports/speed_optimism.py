"""The optimism bootstrap of `reports.speed`: by retreat, by a loop of statsmodels fits, by joblib over scikit-learn.

All three resample the same 1,000 cases with the same counts, fit the same maximum likelihood hazard of relief (others
are taken as going on, nobody is lost before session 3, so that plain measures apply), and take the Brier score, the log
score of the course, the calibration slope and the concordance of relief by session 2. Each says how many cores it had;
processes are started before the clock.
"""

from __future__ import annotations

import time
from typing import Any

import numpy as np

from reports import speed_courses
from retreat.counts import person_sessions
from retreat.fitting import LogisticHazard
from retreat.validation import validate_estimator
from retreat.validation.schemes.array_refits import LogisticRefits
from retreat.validation.schemes.resampling import bootstrap_weights

HORIZON, LAST = 2, 3
MEASURES = ("slope", "brier_at", "concordance_at", "log_score")


def clinic(n_cases: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Columns, sessions and ending (1 relieved, 0 still in treatment after session 3)."""
    X, sessions, ending = speed_courses.courses(n_cases, "continuous")
    relieved = (ending == 1) & (sessions <= LAST)
    return X, np.where(relieved, sessions, LAST), relieved.astype(int)


def by_retreat(n_cases: int, resamples: int) -> dict[str, Any]:
    """Optimism by batched refits on one core, and the seconds of the same on two."""
    X, sessions, ending = clinic(n_cases)

    def timed(resamples: int, jobs: int) -> tuple[float, Any]:
        start = time.perf_counter()
        report = validate_estimator(
            LogisticHazard(),
            X,
            sessions,
            ending,
            resamples=resamples,
            horizons=(HORIZON,),
            measures=MEASURES,
            jobs=jobs,
        )
        return time.perf_counter() - start, report

    timed(2, jobs=1)
    seconds, report = timed(resamples, jobs=1)
    timed(4 * LogisticRefits.chunk, jobs=2)  # work for both processes
    return {
        "cores": 1,
        "seconds": seconds,
        "seconds_on_two_cores": timed(resamples, jobs=2)[0],
        "optimism": {row.measure: row.optimism for row in report.rows},
    }


def by_statsmodels(n_cases: int, resamples: int) -> dict[str, Any]:
    """Optimism by a loop: one Logit on person-session rows a resample, measures from numpy and statsmodels."""
    import statsmodels.api as sm

    def fit(X: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.asarray(sm.Logit(y, X).fit(disp=0, method="newton", tol=1e-10).params)

    def slope(lp: np.ndarray, y: np.ndarray) -> float:
        return float(fit(np.column_stack([np.ones(len(lp)), lp]), y)[1])

    return _loop(n_cases, resamples, fit, slope, jobs=1)


def by_sklearn(n_cases: int, resamples: int) -> dict[str, Any]:
    """Optimism by joblib on two processes: one LogisticRegression on person-session rows a resample."""

    def slope(lp: np.ndarray, y: np.ndarray) -> float:
        return float(_sklearn_fit(lp[:, None], y, intercept=True)[1])

    return _loop(n_cases, resamples, _sklearn_fit, slope, jobs=2)


def _sklearn_fit(X: np.ndarray, y: np.ndarray, intercept: bool = False) -> np.ndarray:
    from sklearn.linear_model import LogisticRegression

    found = LogisticRegression(C=np.inf, solver="newton-cholesky", tol=1e-8, fit_intercept=intercept).fit(
        X, y
    )
    return np.concatenate([found.intercept_, found.coef_[0]]) if intercept else found.coef_[0]


def _loop(n_cases: int, resamples: int, fit: Any, slope: Any, *, jobs: int) -> dict[str, Any]:
    from joblib import Parallel, delayed

    X, sessions, ending = clinic(n_cases)
    weights = bootstrap_weights(np.arange(n_cases), resamples, 1)
    one = delayed(_resample) if jobs > 1 else _resample
    if jobs > 1:  # start the processes before the clock
        Parallel(n_jobs=jobs)(one(X, sessions, ending, w, fit, slope) for w in weights[:2])
    start = time.perf_counter()
    if jobs > 1:
        gaps = Parallel(n_jobs=jobs)(one(X, sessions, ending, w, fit, slope) for w in weights)
    else:
        gaps = [one(X, sessions, ending, w, fit, slope) for w in weights]
    seconds = time.perf_counter() - start
    mean = np.mean(gaps, axis=0)
    optimism = dict(zip(MEASURES, mean.tolist(), strict=True))
    return {"cores": jobs, "seconds": seconds, "optimism": optimism}


def _resample(
    X: np.ndarray, sessions: np.ndarray, ending: np.ndarray, weight: np.ndarray, fit: Any, slope: Any
) -> np.ndarray:
    """Training less test measures of one resample."""
    rows = np.repeat(np.arange(len(X)), weight.astype(int))
    case, session, end = person_sessions(sessions[rows], ending[rows])
    effects = (session[:, None] == np.arange(1, LAST + 1)).astype(float)
    theta = fit(np.hstack([effects, X[rows][case]]), (end == 1).astype(float))
    eta = X @ theta[LAST:, None] + theta[None, :LAST]
    going = np.cumprod(1.0 / (1.0 + np.exp(eta)), axis=1)  # (cases, sessions)
    return _measures(going[rows], sessions[rows], ending[rows], slope) - _measures(
        going, sessions, ending, slope
    )


def _measures(going: np.ndarray, sessions: np.ndarray, ending: np.ndarray, slope: Any) -> np.ndarray:
    from sklearn.metrics import brier_score_loss, roc_auc_score

    p = 1.0 - going[:, HORIZON - 1]
    y = (ending == 1) & (sessions <= HORIZON)
    until = np.minimum(sessions, HORIZON) - 1
    before = np.where(until > 0, going[np.arange(len(p)), until - 1], 1.0)
    after = going[np.arange(len(p)), until]
    chance = np.where(y, before - after, after)
    return np.array(
        [
            slope(np.log(p / (1.0 - p)), y.astype(float)),
            brier_score_loss(y, p),
            roc_auc_score(y, p),
            -np.log(chance).mean(),
        ]
    )
