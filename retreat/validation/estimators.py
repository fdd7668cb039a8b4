"""Validation of an estimator on arrays: any discrete-time data, any estimator of the incidence."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from retreat.errors import Fault, FitError
from retreat.fitting.arguments import is_number
from retreat.validation._checked import Courses, IntArray, courses, group_numbers
from retreat.validation.panel import AT, NAMES
from retreat.validation.report import BootstrapReport, MeasureRow
from retreat.validation.schemes.optimism import CORRECTIONS, Correction, Question, correct_optimism
from retreat.validation.schemes.resampling import Progress, Refits, bootstrap_weights


def validate_estimator(
    estimator: Any,
    X: ArrayLike,
    sessions: ArrayLike,
    ending: ArrayLike,
    groups: ArrayLike | None = None,
    *,
    resamples: int = 500,
    horizons: Sequence[int] = (1, 2, 3),
    seed: int = 1,
    correction: Correction = "harrell",
    measures: Sequence[str] = NAMES,
    level: float = 0.95,
    jobs: int = 1,
    cluster: str = "",
    progress: Progress | None = None,
) -> BootstrapReport:
    """Measures of an estimator's predictions, corrected for optimism by the bootstrap.

    The estimator is copied and refitted to every resample of whole groups. A `LogisticHazard` without Firth's
    penalty is refitted by batched Newton steps; any other goes one by one.

    Parameters
    ----------
    estimator : object
        With ``fit(X, sessions, ending)`` and ``predict_incidence(X, horizon)`` that gives (cases, ends, horizon),
        in scikit-learn's conventions; it is not changed.
    X : array_like or DataFrame, shape (cases, columns)
        Covariates.
    sessions : array_like of int, shape (cases,)
        Session of the end, or last session seen; from 1.
    ending : array_like of int, shape (cases,)
        0 still going on when last seen, 1..K the end.
    groups : array_like, shape (cases,), optional
        Cases of one group (patient) are resampled together; default each case its own.
    resamples : int, at least 2
        Bootstrap samples.
    horizons : sequence of int
        Sessions at which measures are taken; one that nobody reached has rows with the reason in place of values.
    seed : int, from 0
        Seed of the resamples.
    correction : {"harrell", "632+"}
        Harrell's optimism bootstrap, or the .632+ estimate.
    measures : sequence of str
        Which, of :data:`retreat.validation.panel.NAMES`.
    level : float in (0, 1)
        Coverage of the intervals.
    jobs : int
        Processes; -1 is one a core. The numbers do not depend on it.
    cluster : str
        Address of a Dask scheduler that does the work instead.
    progress : callable, optional
        Told after each piece of work: pieces done, pieces in all.

    Returns
    -------
    BootstrapReport
        Its `table` has the columns measure, horizon, end, apparent, optimism, corrected, low, high; ends are
        named by their numbers.

    Raises
    ------
    TableError
        If the arrays are not of that form.
    FitError
        If an argument is out of range, no horizon was reached by anybody, or the estimator cannot be fitted to the
        cases as they are or to any resample.

    References
    ----------
    Steyerberg EW. Clinical Prediction Models, 2nd ed. Springer, 2019, ch. 5 (from memory).

    Examples
    --------
    >>> from retreat.fitting import LogisticHazard
    >>> rng = np.random.default_rng(1)
    >>> X = rng.normal(size=(80, 2))
    >>> sessions, ending = rng.integers(1, 4, 80), rng.integers(0, 2, 80)
    >>> report = validate_estimator(
    ...     LogisticHazard(), X, sessions, ending, resamples=40, horizons=(1,), measures=("brier_at",)
    ... )
    >>> row = report.table.iloc[0]
    >>> row["measure"], bool(row["corrected"] > row["apparent"])
    ('brier_at', True)
    """
    seen = courses(sessions, ending)
    group = _groups(groups, len(seen.sessions))
    chosen, beyond = check_arguments(
        seen,
        horizons=horizons,
        resamples=resamples,
        correction=correction,
        measures=measures,
        level=level,
        seed=seed,
    )
    ends = tuple(str(j + 1) for j in range(seen.n_ends))
    refits = _refits(estimator, X, seen, max(chosen))
    question = Question(seen, ends, chosen, tuple(m for m in NAMES if m in measures))
    weights = bootstrap_weights(group, resamples, seed)
    found = correct_optimism(
        refits,
        question,
        weights,
        correction=correction,
        level=level,
        jobs=jobs,
        cluster=cluster,
        progress=progress,
    )
    rows = tuple(
        MeasureRow(m, h, end, v.apparent, v.corrected, v.low, v.high, v.reason, v.n_failed)
        for (m, h, end), v in found.values.items()
    ) + out_of_reach(beyond, ends, question.measures)
    return BootstrapReport(
        scheme=scheme_words(
            correction, resamples, f"{int(group.max()) + 1} {'cases' if groups is None else 'groups'}"
        ),
        n_cases=len(seen.sessions),
        n_groups=int(group.max()) + 1,
        level=level,
        rows=rows,
        failures=found.failures,
    )


def scheme_words(correction: Correction, resamples: int, units: str) -> str:
    """The scheme in words."""
    name = "Harrell's optimism bootstrap" if correction == "harrell" else ".632+ bootstrap"
    return f"{name}, {resamples} resamples of {units}"


def check_arguments(
    seen: Courses,
    *,
    horizons: Sequence[int],
    resamples: int,
    correction: str,
    measures: Sequence[str],
    level: float,
    seed: int,
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Horizons in order, without doubles, and those nobody reached; everything wrong is refused at once.

    Raises
    ------
    FitError
        If an argument is out of range.
    """
    faults = []
    last = int(seen.sessions.max())
    try:
        horizons = tuple(horizons)
    except TypeError:
        horizons = ()
        faults.append(Fault("horizons", "not a sequence", "whole sessions from 1, such as (1, 2, 3)"))
    whole = [k for k in horizons if isinstance(k, int | np.integer) and not isinstance(k, bool) and k >= 1]
    if faults:
        pass
    elif not len(whole) or len(whole) < len(horizons):
        faults.append(Fault("horizons", f"{tuple(horizons)!r}", "whole sessions from 1"))
    elif min(whole) > last:
        faults.append(Fault("horizons", f"{min(whole)}, which nobody reached", f"1 to {last}"))
    if not isinstance(resamples, int | np.integer) or isinstance(resamples, bool) or resamples < 2:
        faults.append(Fault("resamples", f"{resamples!r}", "a whole number from 2"))
    if correction not in CORRECTIONS:
        faults.append(Fault("correction", f"{correction!r}", ", ".join(CORRECTIONS)))
    unknown = [m for m in measures if m not in NAMES]
    if unknown or not len(measures):
        faults.append(Fault("measures", f"{unknown or 'none'}", ", ".join(NAMES)))
    if not is_number(level) or not 0.0 < level < 1.0:
        faults.append(Fault("level", f"{level!r}", "between 0 and 1, for example 0.95"))
    if not isinstance(seed, int | np.integer) or isinstance(seed, bool) or seed < 0:
        faults.append(Fault("seed", f"{seed!r}", "a whole number from 0"))
    if faults:
        raise FitError(faults)
    rising = sorted({int(k) for k in whole})
    return tuple(k for k in rising if k <= last), tuple(k for k in rising if k > last)


def out_of_reach(
    horizons: Sequence[int], ends: Sequence[str], names: Sequence[str]
) -> tuple[MeasureRow, ...]:
    """Rows of horizons that nobody reached: no values, and why."""
    return tuple(
        MeasureRow(name, k, end, np.nan, np.nan, np.nan, np.nan, f"nobody reached session {k}")
        for end in ends
        for k in horizons
        for name in names
        if name in AT
    )


def _groups(groups: ArrayLike | None, n: int) -> IntArray:
    numbers = group_numbers(groups, n)
    if numbers is None:
        return np.arange(n, dtype=np.int64)
    if numbers.max() == 0:
        raise FitError(
            Fault("groups", "one group", "at least 2", "leave groups out, or give each patient a label")
        )
    return numbers


def _refits(estimator: Any, X: ArrayLike, seen: Courses, horizon: int) -> Refits:
    # heavy: the measures of this package run on numpy alone
    from retreat.fitting.logistic import LogisticHazard
    from retreat.validation.schemes.array_refits import EstimatorRefits, LogisticRefits

    lacking = [name for name in ("fit", "predict_incidence") if not hasattr(estimator, name)]
    if lacking:
        raise FitError(Fault("estimator", f"it has no {' or '.join(lacking)}", "fit and predict_incidence"))
    n = len(np.asarray(X))
    if n != len(seen.sessions):
        raise FitError(Fault("X", f"{n} rows", f"{len(seen.sessions)}, one for each of sessions"))
    arguments = (estimator, X, seen.sessions, seen.ending, seen.n_ends, horizon)
    if isinstance(estimator, LogisticHazard) and estimator.link == "logit" and estimator.penalty != "firth":
        return LogisticRefits(*arguments)
    return EstimatorRefits(*arguments)
