"""Calibration page: a validation report put into sections, figures and tables; nothing is computed here."""

from __future__ import annotations

from collections.abc import Sequence

from retreat.model.card import INVENTED
from retreat.model.support import SMALL_CELL
from retreat.pages.intervals import span, with_interval
from retreat.pages.landmarks import during_a_course, landmark_lines
from retreat.pages.plots import calibration_figure, instability_figure
from retreat.pages.report import Cell, Figure, Section, Table, render_report
from retreat.validation.report import ValidationReport

_CAUTION = (
    "Counselling support, not a decision to treat and not a promise. A good agreement on past patients of one clinic "
    "says nothing of another clinic, and nothing of what the laser can do to an eye."
)
_LEVELS = (
    "Levels of calibration (Van Calster and others 2016, from memory): mean, whether observed over expected is 1; "
    "weak, whether the slope is 1 and the calibration in the large 0; moderate, whether the smooth curve follows the "
    "diagonal."
)
_MEASURES = {
    "observed_expected": "observed / expected (ideal 1)",
    "in_the_large": "calibration in the large (ideal 0)",
    "slope": "calibration slope (ideal 1)",
    "ici": "mean distance from the curve (ICI, ideal 0)",
    "brier_at": "Brier score",
    "scaled_brier_at": "scaled Brier score (IPA; 0 tells nothing, 1 all)",
    "concordance_at": "concordance (0.5 tells nothing, 1 all)",
    "integrated_brier": "Brier score over sessions",
    "rps": "ranked probability score",
    "log_score": "log score",
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
        "fitted again in each fold and resample; observed shares are Aalen and Johansen's, so courses still going on "
        "count for as long as they were followed. Observed over expected is near 1 for almost any model tested on its "
        "own clinic; the slope, the curve and the scores say more.",
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
        f"{report.n_left_out} cases left out. Intervals are of nominal {100 * report.level:.0f}%, with the predictions "
        "held; those of this table and of each session take two eyes of a patient as apart.",
        *[f"{note[0].upper()}{note[1:]}." for note in report.notes],
        *[f"Not fitted: {failure}" for failure in report.failures],
    ]
    return [
        Section(f"{name}: the verdict", _verdict(report), (), ()),
        Section(f"{name}: predicted and observed, session by session", facts, (), (_incidence(report),)),
        Section(f"{name}: calibration", [_LEVELS], _figures(report), (_measures(report),)),
        _sessions(report, name),
        *during_a_course(report, name),
        *_beside(report, name),
        _decisions(report, name),
        _parts(report, name),
        *_clusters(report, name),
        *_instability(report, name),
    ]


def _verdict(report: ValidationReport) -> list[str]:
    found = report.verdict
    return [
        f"{found.standing.capitalize()}.",
        *[f"{reason[0].upper()}{reason[1:]}." for reason in found.reasons],
        f"Next: {found.next_step}.",
    ]


def _sessions(report: ValidationReport, name: str) -> Section:
    """Hazards session by session, and the whole distribution of courses."""
    ends = list(report.n_ended)
    rows: list[Sequence[Cell]] = [
        (
            f"{ends[row.end - 1]} at session {row.session}",
            int(row.at_risk),
            int(row.events),
            f"{row.expected:.1f}",
            with_interval(row.observed_expected, (row.low, row.high)) or row.reason,
        )
        for row in report.hazards
        if row.at_risk >= SMALL_CELL
    ]
    columns = ("End", "Had the session", "Ended so", "Expected", "Observed / expected")
    found = report.d_calibration
    text = (
        "Among those who had each session, how many ended so at it. The number of sessions as a whole: the test of "
        "even spread over the predicted distributions (D-calibration, Haider and others 2020, from memory) has "
        + (f"p = {found.p:.2f}; a small p speaks against the model." if found.p == found.p else found.reason)
    )
    return Section(f"{name}: each session", [text], (), (Table("Hazards on unseen patients", columns, rows),))


def _decisions(report: ValidationReport, name: str) -> Section:
    tables = []
    for horizon, found in report.decisions.items():
        rows: list[Sequence[Cell]] = [
            (f"{threshold:.0%}", model, all_, 0.0)
            for threshold, model, all_ in zip(
                found.thresholds.tolist(), found.model.tolist(), found.offer_all.tolist(), strict=True
            )
        ]
        columns = ("Chance from which it is quoted", "By the model", "To all", "To none")
        tables.append(Table(f"A package of {horizon} sessions: net benefit per eye", columns, rows))
    text = (
        "Net benefit of quoting a package of so many sessions to eyes whose chance of being finished by then is at "
        "least a threshold: eyes rightly quoted, less those wrongly quoted weighted by the odds of the threshold "
        "(Vickers and Elkin 2006, from memory). The model is of use where it lies above both other columns."
    )
    return Section(f"{name}: a decision", [text], (), tuple(tables))


def _parts(report: ValidationReport, name: str) -> Section:
    rows: list[Sequence[Cell]] = [
        (
            f"{row.feature}: {row.level.replace('_', ' ')}",
            row.n if row.n else "hidden",
            row.expected,
            row.observed,
            with_interval(row.observed_expected, row.interval) or row.reason,
        )
        for row in report.subgroups
    ]
    lost: list[Sequence[Cell]] = [
        (row.assumption, row.n_lost, row.observed, f"{row.observed_expected:.2f}") for row in report.losses
    ]
    columns = ("Part", "Cases", "Mean predicted", "Observed", "Observed / expected")
    first = next(iter(report.n_ended))
    texts = [
        f"{first.capitalize()} by session {min(max(k for _, k in report.calibrations), 3)} in parts of the cases; "
        "parts of fewer than 11 are hidden, and as many others as would give them away. Many parts are looked at: one "
        "of twenty intervals misses 1 by chance.",
        "What if those lost on the way, or still in treatment before then, were not like those who stayed? "
        f"{first.capitalize()} by session "
        f"{max(k for _, k in report.calibrations)} if none of them, all of them, or some in between ended so.",
    ]
    tables = (
        Table("Agreement in parts", columns, rows),
        Table("Cases lost on the way", ("Of those lost", "Lost", "Observed", "Observed / expected"), lost),
    )
    return Section(f"{name}: parts, and cases lost", texts, (), tables)


def _clusters(report: ValidationReport, name: str) -> list[Section]:
    if not report.clusters:
        return []
    rows: list[Sequence[Cell]] = [
        (
            f"{row.by}: {row.end} by session {row.horizon}",
            f"{row.n_clusters}" + (f", {row.n_small} left out" if row.n_small else ""),
            with_interval(row.pooled, row.pooled_interval) or row.reason,
            f"{row.spread:.2f}" if row.spread == row.spread else "not told",
            span(row.unseen) or "not told",
            span(row.shrunken) or "not told",
        )
        for row in report.clusters
    ]
    columns = (
        "Left out in turn",
        "How many",
        "Observed / expected, pooled",
        "Spread (SD of log)",
        "One not seen yet",
        "Range after shrinkage",
    )
    text = (
        "Each was predicted by a model of the others. The spread is what differs beyond chance; no one is named, "
        "and this is no ranking. Small ones are left out."
    )
    table = Table("Observed over expected between clusters", columns, rows)
    return [Section(f"{name}: operators, sites, periods", [text], (), (table,))]


def _instability(report: ValidationReport, name: str) -> list[Section]:
    found = report.instability
    if found is None:
        return []
    text = (
        f"{found.n_resamples} models were fitted to resampled patients. The prediction of {found.end} by session "
        f"{found.horizon} for one case moves by {100 * found.mean_error:.1f} of 100 on average; for 95 of 100 cases "
        f"the middle 95% of the models' predictions lie within {100 * found.widest:.0f} of 100 of each other."
    )
    title = f"{found.end.capitalize()} by session {found.horizon}: prediction instability ({name})"
    image = instability_figure(found.predicted, found.low, found.high, title=title)
    alt = f"{title}: for each case the middle 95% of the refitted models' predictions against the whole model's."
    return [Section(f"{name}: instability", [text], [Figure(image, alt, "")], ())]


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
        if row.n_at_risk >= SMALL_CELL
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
    slope = with_interval(found.slope, found.slope_interval) or "not told"
    alt = (
        f"{title}: observed share {found.observed:.2f}, mean predicted {found.expected:.2f}, "
        f"calibration slope {slope}, on held-out patients."
    )
    caption = f"Smooth curve: {found.smoother}." if curve is not None else found.reason
    return Figure(image, alt, caption)


def _beside(report: ValidationReport, name: str) -> list[Section]:
    if not report.comparisons and not report.no_comparison:
        return []
    rows: list[Sequence[Cell]] = [
        (
            f"{_MEASURES[row.measure]}: {row.end + ' ' if row.end else ''}to session {row.horizon}",
            _OTHERS[row.other],
            row.model,
            row.baseline,
            row.difference,
            f"{row.low:.3f} to {row.high:.3f}",
        )
        for row in report.comparisons
    ]
    columns = ("Score", "Beside", "This model", "The other", "Difference", "Interval")
    tables = (Table("Scores on the same folds, lower is better", columns, rows),) if rows else ()
    texts = [text for text in (*beaten(report), report.no_comparison) if text]
    return [Section(f"{name}: beside others", texts, (), tables)]


_OTHERS = {
    "null": "everyone alike",
    "lifetable": "the life table by kind",
    "boosted": "boosted trees",
    "frailty": "the frailty model",
    "complete": "the fit to complete cases",
}


def beaten(report: ValidationReport) -> list[str]:
    """Who does better over the whole course, one line a challenger."""
    lines = []
    for row in report.comparisons:
        if row.measure != "log_score":
            continue
        other = _OTHERS[row.other]
        if row.high < 0:
            lines.append(f"Over the whole course the model tells more than {other} (interval below 0).")
        elif row.low > 0:
            verb = "do" if row.other == "boosted" else "does"
            lines.append(f"Over the whole course {other} {verb} better (interval above 0).")
        elif row.other == "boosted":
            lines.append(
                f"Over the whole course {other} are not shown to do better or worse: prefer the simple model."
            )
        else:
            lines.append(
                f"Over the whole course these cases do not show that the model does better than {other}."
            )
    return lines


def summary_lines(report: ValidationReport) -> list[str]:
    """The report in a few lines for a terminal."""
    lines = [
        f"{report.definition}, {report.method}: {report.scheme}, "
        f"{report.n_cases} cases of {report.n_patients} patients",
        *report.notes,
        *[f"not fitted: {failure}" for failure in report.failures],
    ]
    lines += [*landmark_lines(report), *beaten(report)]
    if report.no_comparison:
        lines.append(report.no_comparison)
    lines.append(f"verdict: {report.verdict.standing}")
    lines += [f"- {reason}" for reason in report.verdict.reasons]
    lines.append(f"next: {report.verdict.next_step}")
    return lines


def measure_rows(report: ValidationReport) -> list[tuple[str, ...]]:
    """End and session, observed, predicted, observed/expected and slope with intervals, for a terminal."""
    return [
        (
            f"{end} by session {horizon}",
            f"{found.observed:.3f}",
            f"{found.expected:.3f}",
            with_interval(found.observed_expected, found.observed_expected_interval),
            with_interval(found.slope, found.slope_interval) or found.reason,
        )
        for (end, horizon), found in report.calibrations.items()
    ]
