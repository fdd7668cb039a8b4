"""From a case table to who was studied, in one call."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from retreat.errors import Fault, TableError
from retreat.fitting.arguments import is_number, is_whole
from retreat.study.cohort.baseline import baseline_table
from retreat.study.cohort.curves import incidence_table
from retreat.study.cohort.differences import difference_table
from retreat.study.cohort.flow import flow_of_records
from retreat.study.cohort.follow_up import follow_up_table
from retreat.study.cohort.last_contact import LOST_AFTER_DAYS
from retreat.study.cohort.leaving import leaving
from retreat.study.cohort.life_table import life_table
from retreat.study.cohort.record import Cohort
from retreat.study.cohort.studied import BASELINE, studied

if TYPE_CHECKING:
    import pandas as pd

    from retreat.definitions import Definition

_LEAST_RESAMPLES = 20


def describe_cohort(
    cases: pd.DataFrame,
    definition: str | Path | Definition | None = None,
    *,
    visits: pd.DataFrame | None = None,
    by: str = "opacity",
    kind: str = "opacity",
    features: Sequence[str] = BASELINE,
    horizon: int | None = None,
    resamples: int = 500,
    level: float = 0.95,
    lost_after: int = LOST_AFTER_DAYS,
    seed: int = 1,
) -> Cohort:
    """Who was studied: flow of records, first table, follow-up, life table and incidence by kind.

    Parameters
    ----------
    cases : DataFrame
        A case table; it is checked.
    definition : str, Path or Definition, optional
        Whose features an analysed case must have; without one all begun cases are analysed. The other tables describe
        all begun cases.
    visits : DataFrame, optional
        A visit table; with it cases in treatment are told from those lost.
    by : str
        What the first table tells cases apart by: a feature that is a category, `site` or `operator`.
    kind : str
        The same for life table and curves.
    features : sequence of str
        Features of the first table.
    horizon : int, optional
        Last session of life table and curves, from 1; the last that anybody had when not given. A shared table shows
        more where it ends before counts get small.
    resamples : int, from 20
        Samples of patients behind the intervals.
    level : float in (0, 1)
        Of the intervals.
    lost_after : int, from 1
        Days without a visit after which a case in treatment is called lost.
    seed : int, from 0
        Of the samples.

    Returns
    -------
    Cohort
        ``.to_frames()`` for the clinic, ``.shared().to_frames()`` for anybody else.

    Raises
    ------
    TableError
        If a table or an argument is refused.

    References
    ----------
    STROBE (von Elm and others, BMJ 2007;335:806-808) items 13 to 15, RECORD (Benchimol and others, PLoS Med
    2015;12:e1001885) item 13.1 (both from memory).

    Examples
    --------
    >>> import pandas as pd
    >>> cases = pd.DataFrame(  # invented
    ...     {
    ...         "case": [f"k{i}f{i}q" for i in range(9)], "patient": [f"p{i // 2}z{i // 2}w" for i in range(9)],
    ...         "eye": ["right", "left"] * 4 + ["right"], "started": "2020", "sessions": [1, 1, 2, 2, 3, 1, 1, 2, 0],
    ...         "ending": ["relieved"] * 5 + ["stopped", "ongoing", "stopped", "ongoing"],
    ...         "stop_reason": ["not_applicable"] * 5 + ["choice", "not_applicable", "choice", "not_applicable"],
    ...         "opacity": ["ring", "cloud", "ring"] * 3, "site": "invented_1",
    ...     }
    ... )  # fmt: skip
    >>> cases.loc[8, "started"] = "not_applicable"
    >>> cohort = describe_cohort(cases, features=["eye", "opacity"], resamples=50)
    >>> print(cohort.to_frames()["flow"][["step", "reason", "cases", "patients"]].to_string(index=False))
            step    reason  cases  patients
    in the table                9         5
        left out not begun      1         1
           begun                8         4
        analysed                8         4
    >>> cohort.shared().to_frames()["flow"]["cases"].tolist()
    [<NA>, <NA>, <NA>, <NA>]
    """
    from retreat.definitions import read_definition
    from retreat.tables import as_cases, as_visits

    _check(horizon, resamples, level, lost_after, seed)
    table = as_cases(cases)
    attended = None if visits is None else as_visits(visits, table)
    flow = flow_of_records(table, None if definition is None else read_definition(definition))
    first = studied(table, by=by, names=features)
    other = first if kind == by else studied(table, by=kind, names=features)
    found = leaving(other, horizon=horizon, resamples=resamples, level=level, seed=seed)
    begun = table[table["sessions"] >= 1].reset_index(drop=True)
    return Cohort(
        flow=flow,
        baseline=baseline_table(first),
        differences=difference_table(first),
        follow_up=follow_up_table(other, found, begun, attended, lost_after=lost_after),
        life_table=life_table(found),
        incidence=incidence_table(found),
        by=by,
        kind=kind,
        level=level,
        resamples=resamples,
        seed=seed,
        invented=bool(table.attrs["invented"]),
    )


def _check(horizon: int | None, resamples: int, level: float, lost_after: int, seed: int) -> None:
    faults = [
        Fault(name, f"{value!r}", f"a whole number from {least}")
        for name, value, least in (
            ("horizon", 1 if horizon is None else horizon, 1),
            ("resamples", resamples, _LEAST_RESAMPLES),
            ("lost_after", lost_after, 1),
            ("seed", seed, 0),
        )
        if not is_whole(value) or value < least
    ]
    if not is_number(level) or not 0.0 < level < 1.0:
        faults.append(Fault("level", f"{level!r}", "between 0 and 1, for example 0.95"))
    if faults:
        raise TableError(faults)
