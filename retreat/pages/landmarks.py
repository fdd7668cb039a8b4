"""The part of a calibration page on forecasts during a course; nothing is computed here."""

from __future__ import annotations

from collections.abc import Sequence

from retreat.pages.intervals import with_interval
from retreat.pages.landmark_plots import Series, landmark_figure
from retreat.pages.report import Cell, Figure, Section, Table
from retreat.validation.landmarks import DIFFERENCE, LOG_SCORE, LandmarkRow
from retreat.validation.midcourse import MidCourse, decisive
from retreat.validation.report import ValidationReport

_TEXT = (
    "Among the cases still in treatment after so many sessions, given those sessions. A slope well below 1 means "
    "that sheets during a course tell eyes apart more sharply than they differ."
)
_HONEST = (
    "Each forecast is the one a sheet would have given then, by a model of other patients: it knows the sessions had "
    "and, where the model learns from them, what they showed, and nothing later. Intervals take two eyes of a patient "
    "together."
)
_TOLD = (
    "A model that learns from sessions forecasts an eye of whose sessions nothing was noted as its base model would. "
    'Rows marked "something noted" are of the others alone; where they are 20 or more, the verdict, the picture and '
    "the lines above rest on them."
)
_SHOWN = {
    "observed_expected": "Observed / expected",
    "slope": "Slope",
    "ici": "ICI",
    "scaled_brier_at": "Scaled Brier score",
    "concordance_at": "Concordance",
}
_AHEAD = {1: "By the next session", 2: "By the next two"}


def during_a_course(report: ValidationReport, name: str) -> list[Section]:
    """Calibration, scores and a picture of forecasts during a course; empty where none was looked at.

    Parameters
    ----------
    report : ValidationReport
        What was found.
    name : str
        Definition and method, for the heading.
    """
    if not report.mid_course and not report.at_landmarks:
        return []
    texts = [_TEXT, *([_HONEST] if report.at_landmarks else []), *beaten_during(report)]
    if any(row.told == "told" for row in report.mid_course):
        texts.append(_TOLD)
    tables = [table for table in (_calibration(report), _measures(report), _scores(report)) if table.rows]
    return [Section(f"{name}: during a course", texts, _figures(report), tuple(tables))]


def after(done: int) -> str:
    """How many sessions were had, in words."""
    return "before the first session" if not done else f"after {done} session{'s' if done > 1 else ''}"


def beaten_during(report: ValidationReport) -> list[str]:
    """Who forecasts better during a course, one line a landmark, two sessions ahead."""
    lines = []
    for row in decisive(report.at_landmarks):
        if row.measure != DIFFERENCE or not row.done or row.horizon != row.done + 2 or row.value != row.value:
            continue
        told = f"log score {row.value:+.3f}, {row.low:+.3f} to {row.high:+.3f}"
        start = f"{after(row.done).capitalize()}, to session {row.horizon}{_marked(row)},"
        if row.high < 0:
            lines.append(f"{start} the model forecasts better than {report.against} ({told}).")
        elif row.low > 0:
            lines.append(f"{start} {report.against} forecasts better than the model ({told}).")
        else:
            lines.append(
                f"{start} neither the model nor {report.against} is shown to forecast better ({told})."
            )
    return lines


def landmark_lines(report: ValidationReport) -> list[str]:
    """Forecasts during a course in a few lines for a terminal."""
    first = next(iter(report.n_ended))
    lines = []
    for row in decisive(report.mid_course):
        if row.end != first or not report.at_landmarks:
            continue
        ratio = with_interval(row.observed_expected, row.observed_expected_interval)
        told = f"observed/expected {ratio}, slope {_or(row.slope, row.slope_interval, row.reason)}"
        eyes = f"{row.n} eyes{_marked(row)}"
        lines.append(
            f"{after(row.done)}, {eyes}: {row.end} by session {row.horizon}: {told if ratio else row.reason}"
        )
    return lines + beaten_during(report)


def _calibration(report: ValidationReport) -> Table:
    rows: list[Sequence[Cell]] = [
        (
            f"{row.end} by session {row.horizon}, after {row.done} had{_marked(row)}",
            row.n,
            row.expected,
            row.observed,
            _or(row.observed_expected, row.observed_expected_interval, row.reason),
            _or(row.slope, row.slope_interval, row.reason),
        )
        for row in report.mid_course
    ]
    columns = ("End", "Cases that went on", "Mean predicted", "Observed", "Observed / expected", "Slope")
    return Table("Calibration during a course, on unseen patients", columns, rows)


def _measures(report: ValidationReport) -> Table:
    found = {(r.done, r.told, r.horizon, r.end, r.measure): r for r in report.at_landmarks}
    rows: list[Sequence[Cell]] = []
    for place in dict.fromkeys((r.done, r.told, r.horizon, r.end) for r in report.at_landmarks if r.end):
        here = [found[(*place, measure)] for measure in _SHOWN]
        told = any(row.value == row.value for row in here)
        # a landmark that too few passed: its reason once, not in every cell
        cells = [_cell(row) for row in here] if told else [here[0].reason, *[None] * (len(here) - 1)]
        (row, *_) = here
        rows.append((f"{row.end} by session {row.horizon}, {_had(row.done)}{_marked(row)}", *cells))
    return Table("Measures after each number of sessions had", ("End", *_SHOWN.values()), rows)


def _scores(report: ValidationReport) -> Table:
    found = {(r.done, r.told, r.horizon, r.measure): r for r in report.at_landmarks if not r.end}
    rows: list[Sequence[Cell]] = []
    for (done, told, horizon, measure), row in found.items():
        if measure != LOG_SCORE:
            continue
        cells: list[Cell] = [row.n, _long(row)]
        if report.against:
            cells.append(_long(found[done, told, horizon, DIFFERENCE]))
        rows.append((f"to session {horizon}, {_had(done)}{_marked(row)}", *cells))
    columns = (
        "Courses",
        "Cases",
        "This model",
        *([f"Less that of {report.against}"] if report.against else []),
    )
    return Table("Log score during a course, lower is better", columns, rows)


def _figures(report: ValidationReport) -> tuple[Figure, ...]:
    first = next(iter(report.n_ended))
    rows = [row for row in decisive(report.at_landmarks) if row.end == first]
    # a single landmark needs no picture
    if len({row.done for row in rows if row.value == row.value}) < 2:
        return ()
    panels = [
        (_SHOWN[measure], 1.0, [_series(rows, measure, ahead) for ahead in _AHEAD])
        for measure in ("observed_expected", "slope")
    ]
    recipe = f"{report.definition}, {report.method}"
    title = f"{first.replace('_', ' ').capitalize()} after each number of sessions ({recipe})"
    alt = f"{title}: observed over expected and calibration slope with intervals; the numbers stand in the table below."
    caption = (
        f"Both are 1 where forecasts are right. Intervals of {100 * report.level:.0f}%; long ones are cut."
    )
    return (Figure(landmark_figure(panels, title=title), alt, caption),)


def _series(rows: Sequence[LandmarkRow], measure: str, ahead: int) -> Series:
    here = [row for row in rows if row.measure == measure and row.horizon == row.done + ahead]
    return Series(
        _AHEAD[ahead],
        [row.done for row in here],
        [row.value for row in here],
        [row.low for row in here],
        [row.high for row in here],
    )


def _marked(row: LandmarkRow | MidCourse) -> str:
    return ", something noted" if row.told == "told" else ""


def _had(done: int) -> str:
    return f"after {done} had" if done else "before the first"


def _cell(row: LandmarkRow) -> Cell:
    return with_interval(row.value, (row.low, row.high)) or "not told"


def _long(row: LandmarkRow) -> Cell:
    """Three digits: differences of log scores are small."""
    return row.reason if row.value != row.value else f"{row.value:.3f} ({row.low:.3f} to {row.high:.3f})"


def _or(value: float, interval: tuple[float, float], reason: str) -> str:
    return with_interval(value, interval) or reason
