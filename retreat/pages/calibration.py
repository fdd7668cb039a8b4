"""Calibration page: a validation report put into sections, figures and tables; nothing is computed here."""

from __future__ import annotations

from collections.abc import Sequence

from retreat.model.card import INVENTED
from retreat.pages.plots import calibration_figure
from retreat.pages.report import Cell, Figure, Section, Table, render_report
from retreat.validation.report import ValidationReport

_CAUTION = (
    "Counselling support, not a decision to treat and not a promise. A good agreement on past patients of one clinic "
    "says nothing of another clinic, and nothing of what the laser can do to an eye."
)
_MEASURES = {
    "observed_expected": "observed / expected (ideal 1)",
    "in_the_large": "calibration in the large (ideal 0)",
    "slope": "calibration slope (ideal 1)",
    "ici": "mean distance from the curve (ICI, ideal 0)",
    "brier_at": "Brier score (lower is better)",
    "log_score": "log score (lower is better)",
}


def render_calibration(reports: Sequence[ValidationReport]) -> str:
    """One HTML page for one or several validated methods of a definition.

    Parameters
    ----------
    reports : sequence of ValidationReport
        In the order they are shown.
    """
    intro = [
        "How the predicted shares agree with what happened to patients the model had not seen. The recipe was "
        "fitted again in each fold; observed shares are Aalen and Johansen's, so courses still going on count for "
        "as long as they were followed. Observed over expected is near 1 for almost any model tested on its own "
        "clinic; the slope, the curve and the scores say more.",
        _CAUTION,
    ]
    banners = [INVENTED] if any(report.invented for report in reports) else []
    sections = [section for report in reports for section in _sections(report)]
    return render_report("Can these numbers be trusted?", intro, sections, banners=banners)


def _sections(report: ValidationReport) -> list[Section]:
    name = f"{report.definition}, {report.method}"
    ended = ", ".join(f"{n} {end}" for end, n in report.n_ended.items())
    facts = [
        f"{report.scheme}: {report.n_cases} cases of {report.n_patients} patients ({ended}); "
        f"{report.n_left_out} cases left out. Intervals cover {100 * report.level:.0f}%.",
        *[f"Not fitted: {failure}" for failure in report.failures],
    ]
    return [
        Section(f"{name}: predicted and observed, session by session", facts, (), (_incidence(report),)),
        Section(f"{name}: calibration", (), _figures(report), (_measures(report),)),
        *_beside_table(report, name),
    ]


def _incidence(report: ValidationReport) -> Table:
    rows: list[Sequence[Cell]] = [
        (
            f"{row.end} by session {row.session}",
            row.n_at_risk,
            row.predicted,
            row.observed,
            f"{row.low:.3f} to {row.high:.3f}",
        )
        for row in report.incidence
    ]
    columns = ("End", "Still in treatment before", "Mean predicted", "Observed", "Interval of observed")
    return Table("Cumulative incidence on unseen patients", columns, rows)


def _measures(report: ValidationReport) -> Table:
    rows: list[Sequence[Cell]] = []
    for row in report.rows:
        place = f"{row.end} by session {row.horizon}" if row.end else f"whole course to session {row.horizon}"
        interval = f"{row.low:.3f} to {row.high:.3f}" if row.low == row.low else (row.reason or "none given")
        rows.append(
            (
                f"{_MEASURES.get(row.measure, row.measure)}: {place}",
                row.apparent,
                row.optimism,
                row.corrected,
                interval,
            )
        )
    columns = ("Measure", "On the fitted cases", "Optimism", "On unseen patients", "Interval")
    return Table("Measures", columns, rows)


def _figures(report: ValidationReport) -> list[Figure]:
    return [_figure(report, end, horizon) for end, horizon in report.calibrations]


def _figure(report: ValidationReport, end: str, horizon: int) -> Figure:
    found = report.calibrations[end, horizon]
    label = f"{report.definition}, {report.method}"
    curve = found.curve
    curves = (
        []
        if curve is None
        else [
            {
                "label": f"Smooth curve with {100 * found.level:.0f}% band",
                "predicted": curve.predicted,
                "observed": curve.observed,
                "low": curve.low,
                "high": curve.high,
            }
        ]
    )
    points = found.points
    groups = [
        {
            "label": "Fifths of the prediction",
            "predicted": points.predicted,
            "observed": points.observed,
            "low": points.low,
            "high": points.high,
            "n": points.n,
        }
    ]
    n_events = next(row for row in report.incidence if (row.end, row.session) == (end, horizon)).n_events
    title = f"{end.replace('_', ' ').capitalize()} by session {horizon} ({label})"
    image = calibration_figure(
        curves,  # type: ignore[arg-type]  # plain dicts of the right keys
        groups=groups,  # type: ignore[arg-type]  # the same
        density=report.predictions[end, horizon],
        n=report.n_cases,
        n_events=n_events,
        title=title,
    )
    slope = _with_interval(found.slope, found.slope_interval) or "not told"
    alt = (
        f"{title}: observed share {found.observed:.2f}, mean predicted {found.expected:.2f}, "
        f"calibration slope {slope}. The same numbers stand in the table."
    )
    caption = f"Smooth curve: {found.smoother}." if curve is not None else found.reason
    return Figure(image, alt, caption)


def _beside_table(report: ValidationReport, name: str) -> list[Section]:
    if not report.comparisons:
        if not report.no_comparison:
            return []
        return [Section(f"{name}: beside the life table", [report.no_comparison], (), ())]
    rows: list[Sequence[Cell]] = [
        (
            f"{_MEASURES[row.measure]}: {row.end + ' ' if row.end else ''}to session {row.horizon}",
            row.model,
            row.baseline,
            row.difference,
            f"{row.low:.3f} to {row.high:.3f}",
        )
        for row in report.comparisons
    ]
    columns = ("Score", "This model", "Life table by kind", "Difference", "Interval")
    text = _beaten(report)
    return [
        Section(
            f"{name}: beside the life table", [text], (), (Table("Scores on the same folds", columns, rows),)
        )
    ]


def _beaten(report: ValidationReport) -> str:
    whole = next(row for row in report.comparisons if row.measure == "log_score")
    if whole.high < 0:
        return "Over the whole course the model tells more than the life table by kind (interval below 0)."
    if whole.low > 0:
        return "Over the whole course the life table by kind does better. Use the life table."
    return "Over the whole course these cases do not show that the model does better than the life table by kind."


def summary_lines(report: ValidationReport) -> list[str]:
    """The report in a few lines for a terminal."""
    lines = [
        f"{report.definition}, {report.method}: {report.scheme}, "
        f"{report.n_cases} cases of {report.n_patients} patients",
        *[f"not fitted: {failure}" for failure in report.failures],
    ]
    if report.comparisons:
        lines.append(_beaten(report))
    elif report.no_comparison:
        lines.append(report.no_comparison)
    return lines


def measure_rows(report: ValidationReport) -> list[tuple[str, ...]]:
    """End and session, observed, predicted, observed/expected and slope with intervals, for a terminal."""
    return [
        (
            f"{end} by session {horizon}",
            f"{found.observed:.3f}",
            f"{found.expected:.3f}",
            _with_interval(found.observed_expected, found.observed_expected_interval),
            _with_interval(found.slope, found.slope_interval) or found.reason,
        )
        for (end, horizon), found in report.calibrations.items()
    ]


def _with_interval(value: float, interval: tuple[float, float]) -> str:
    """Value and interval to two digits; empty for a value that could not be told."""
    if value != value:
        return ""
    low, high = interval
    return f"{value:.2f}" if low != low else f"{value:.2f} ({low:.2f} to {high:.2f})"
