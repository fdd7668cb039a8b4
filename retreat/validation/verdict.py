"""The verdict: may these numbers be used with patients? A rule in words, from limits in the definition."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, isfinite, log
from typing import TYPE_CHECKING, Literal

from retreat.model.card import NOT_FIT, Standing
from retreat.model.card import WARNED as WARNING
from retreat.validation.comparison import Comparison
from retreat.validation.landmarks import DIFFERENCE, LandmarkRow
from retreat.validation.midcourse import MidCourse
from retreat.validation.report import MeasureRow

if TYPE_CHECKING:
    from retreat.definitions.entries import Verdict as Limits

FIT: Standing = "fit for counselling"

# sessions that a sheet's headline names
LAST_SESSION = 3
# share of resamples or folds that may fail before it is worth a warning
_FAILED = 0.05
# half widths of the intervals to be reached before the sizes are known well enough (our judgement): a quarter of
# the ratio of observed to expected, a quarter of the slope
_WIDTH_RATIO, _WIDTH_SLOPE = log(1.25), 0.25


@dataclass(frozen=True)
class Verdict:
    """What a validation says of the use of a model.

    Parameters
    ----------
    standing : str
        ``"fit for counselling"``, ``"usable with a warning"`` or ``"not fit"``.
    reasons : tuple of str
        Why, worst first; empty for a model without blemish.
    next_step : str
        What to do next.
    n_more : int
        Cases to collect so that observed/expected and slope are known well enough; 0 where they are.
    """

    standing: Standing
    reasons: tuple[str, ...]
    next_step: str
    n_more: int


def judge(
    rows: Sequence[MeasureRow],
    comparisons: Sequence[Comparison],
    mid_course: Sequence[MidCourse],
    *,
    first_end: str,
    limits: Limits,
    n_cases: int,
    failed: float,
    table_due: bool,
    intervals: Literal["of the recipe", "of held predictions"] = "of the recipe",
    landmarks: Sequence[LandmarkRow] = (),
    against: str = "",
) -> Verdict:
    """Judge the corrected measures of the first end at the sessions a sheet names.

    The rule. *Not fit*: observed/expected or slope lies outside the usable limits, the model tells less than the
    share seen among all (scaled Brier score with an interval below 0), or the life table does better over the whole
    course with an interval that leaves no doubt. *Usable with a warning*: one of them lies outside the limits for
    counselling, its interval reaches outside the usable ones, it cannot be told, the model is not shown to do
    better than the life table although it is due, another end lies outside the usable limits, numbers during a
    course lie outside the limits, the model it is held against forecasts better during a course, more than a
    twentieth of the refits failed, or none of the sessions was looked at. *Fit for counselling*: none of these.

    Parameters
    ----------
    rows : sequence of MeasureRow
        Corrected measures.
    comparisons : sequence of Comparison
        Scores beside others'.
    mid_course : sequence of MidCourse
        Calibration during a course.
    first_end : str
        The end a sheet speaks of.
    limits : Verdict entry of the definition
        The limits.
    n_cases : int
        Cases validated.
    failed : float
        Share of refits that failed.
    table_due : bool
        Whether the model must be held against the life table: the life table itself need not.
    intervals : {"of the recipe", "of held predictions"}
        Whether those of `rows` hold the spread of the fit, as a bootstrap tells it; without it they are too narrow to
        say that no more cases are wanted.
    landmarks : sequence of LandmarkRow
        Measures of forecasts during a course.
    against : str
        What their log score is held against.
    """
    bad: list[str] = []
    doubtful: list[str] = []
    told = {(row.measure, row.horizon): row for row in rows if row.end == first_end}
    sessions = sorted({h for _, h in told if h <= LAST_SESSION})
    more = [0]
    if not any((measure, h) in told for measure in ("observed_expected", "slope") for h in sessions):
        doubtful.append(f"nothing of {first_end} by session {LAST_SESSION} was measured")
    for h in sessions:
        for measure, name, inner, outer in (
            (
                "observed_expected",
                "observed/expected",
                limits.observed_expected,
                limits.observed_expected_usable,
            ),
            ("slope", "calibration slope", limits.slope, limits.slope_usable),
        ):
            row = told.get((measure, h))
            if row is None:
                continue
            place = f"{name} of {first_end} by session {h}"
            if not isfinite(row.corrected):
                doubtful.append(f"{place} cannot be told: {row.reason or 'too few cases'}")
                continue
            spread = isfinite(row.low) and isfinite(row.high)
            value = f"{place} is {row.corrected:.2f}" + (
                f" ({row.low:.2f} to {row.high:.2f})" if spread else ""
            )
            if not outer[0] <= row.corrected <= outer[1]:
                bad.append(f"{value}, outside {outer[0]:g} to {outer[1]:g}")
            elif not inner[0] <= row.corrected <= inner[1]:
                doubtful.append(f"{value}, outside {inner[0]:g} to {inner[1]:g}")
            elif not spread:
                doubtful.append(f"{value}: no interval could be had")
            elif row.low < outer[0] or row.high > outer[1]:
                doubtful.append(f"{value}: too few cases to be sure of {outer[0]:g} to {outer[1]:g}")
            more.append(_more(row, n_cases))
        row = told.get(("scaled_brier_at", h))
        if row is not None and isfinite(row.high) and row.high < 0:
            bad.append(f"by session {h} the model tells less than the share seen among all")
    bad += _beaten(comparisons)
    if table_due:
        doubtful += _not_better(comparisons)
    doubtful += _other_ends(rows, first_end, limits)
    doubtful += _during(mid_course, first_end, limits)
    doubtful += _beaten_during(landmarks, against)
    if failed > _FAILED:
        doubtful.append(f"{100 * failed:.0f}% of the refits failed")
    n_more = max(more)
    standing = NOT_FIT if bad else WARNING if doubtful else FIT
    return Verdict(
        standing,
        (*bad, *doubtful),
        _next_step(standing, n_more, is_table=not table_due, intervals=intervals),
        n_more,
    )


def _more(row: MeasureRow, n_cases: int) -> int:
    """Cases to collect until the interval is narrow enough: widths fall with the root of the cases."""
    if not (isfinite(row.low) and isfinite(row.high)) or row.low >= row.high:
        return 0
    if row.measure == "observed_expected":
        # on the log scale; an interval that reaches 0 has none
        width = (log(row.high / row.low) if row.low > 0 else (row.high - row.low) / row.corrected) / 2.0
        wanted = _WIDTH_RATIO
    else:
        width, wanted = (row.high - row.low) / 2.0, _WIDTH_SLOPE
    return max(0, ceil(n_cases * ((width / wanted) ** 2 - 1.0)))


def _beside_life_table(comparisons: Sequence[Comparison]) -> Comparison | None:
    return next((c for c in comparisons if c.measure == "log_score" and c.other == "lifetable"), None)


def _beaten(comparisons: Sequence[Comparison]) -> list[str]:
    found = _beside_life_table(comparisons)
    return ["the life table by kind does better over the whole course"] if found and found.low > 0 else []


def _not_better(comparisons: Sequence[Comparison]) -> list[str]:
    found = _beside_life_table(comparisons)
    if found is None:
        return ["it was not compared with the life table by kind"]
    if found.low <= 0 <= found.high:
        return ["it is not shown to do better than the life table by kind"]
    return []


def _other_ends(rows: Sequence[MeasureRow], first_end: str, limits: Limits) -> list[str]:
    """Ends that a sheet shows among the figures, though not in its headline."""
    usable = {"observed_expected": limits.observed_expected_usable, "slope": limits.slope_usable}
    return [
        f"{row.measure.replace('_', '/')} of {row.end} by session {row.horizon} is {row.corrected:.2f}, outside "
        f"{usable[row.measure][0]:g} to {usable[row.measure][1]:g}"
        for row in rows
        if row.measure in usable
        and row.end not in ("", first_end)
        and row.horizon <= LAST_SESSION
        and isfinite(row.corrected)
        and not usable[row.measure][0] <= row.corrected <= usable[row.measure][1]
    ]


def _during(rows: Sequence[MidCourse], first_end: str, limits: Limits) -> list[str]:
    reasons = []
    for row in rows:
        if row.end != first_end:
            continue
        for name, value, interval, outer in (
            (
                "observed/expected",
                row.observed_expected,
                row.observed_expected_interval,
                limits.observed_expected,
            ),
            ("calibration slope", row.slope, row.slope_interval, limits.slope),
        ):
            if isfinite(value) and not outer[0] <= value <= outer[1]:
                spread = f" ({interval[0]:.2f} to {interval[1]:.2f})" if isfinite(sum(interval)) else ""
                reasons.append(
                    f"during a course, after {_sessions(row.done)}, the {name} of {first_end} by session "
                    f"{row.horizon} is {value:.2f}{spread}, outside {outer[0]:g} to {outer[1]:g}"
                )
    return reasons


def _beaten_during(rows: Sequence[LandmarkRow], against: str) -> list[str]:
    return [
        f"during a course, after {_sessions(row.done)}, {against} forecasts better to session {row.horizon} (log score "
        f"lower by {row.value:.3f}, {row.low:.3f} to {row.high:.3f})"
        for row in rows
        if row.measure == DIFFERENCE and row.done and row.low > 0
    ]


def _sessions(done: int) -> str:
    return "1 session" if done == 1 else f"{done} sessions"


def _next_step(standing: Standing, n_more: int, *, is_table: bool, intervals: str) -> str:
    collect = f"collect about {n_more} more cases and validate again" if n_more else ""
    if standing == NOT_FIT:
        instead = "" if is_table else "use the life table, or "
        return f"do not use it with patients; {instead}{collect or 'look for what the model misses'}"
    if not collect and intervals == "of held predictions":
        return "validate again with resamples, 200 or so: only their intervals can tell whether more cases are wanted"
    return collect or "validate again when the clinic, the laser or its patients change"
