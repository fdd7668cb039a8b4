"""Page of the checks of a fit: clinics, cases, definitions in sections and tables; nothing is computed here."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from retreat.checks.discrepancies import AGAINST, WORTH_A_LOOK
from retreat.checks.held_out import HIGH_KHAT, MOST_REFITS, CrossValidation
from retreat.checks.record import FitChecks
from retreat.checks.stacking import LEAST_DIFFERENCE
from retreat.pages.check_plots import replicated_figure, transform_figure
from retreat.pages.report import Cell, Figure, Section, Table, render_report
from retreat.pages.words import listed

TITLE = "Does the fit look like the clinic?"
_CAUTION = (
    "Counselling support, not a decision to treat and not a promise. A model that looks like its clinic may still be "
    "wrong about another, and about what no table holds."
)
_CENSORING = (
    "Each clinic has the same cases, operators and pairs of eyes; courses, and how hard a patient's eyes are, are "
    "drawn anew. A case last seen still in treatment is followed for as long in each clinic; one that ended, for at "
    "least its own sessions and then for as long as the losses seen allow. Cases lost must be like those who stayed."
)
_UNSEEN = (
    "Each case was foreseen from all the others, the other eye of its patient among them: a case left out, never a "
    "session of it. One still in treatment counts by its chance of getting so far."
)
_BESIDE = (
    "All on the same cases. The score is the sum of the log chances that the others give to each case's course: higher "
    f"is better. Two are told apart from a difference of {LEAST_DIFFERENCE:g} and of two of its standard errors. The "
    "weight is that in the mixture that foresees best (stacking, Yao and others 2018, from memory); it is no "
    "probability of being right, and definitions that say nearly the same share a weight by chance."
)


def render_fit_checks(checks: FitChecks) -> str:
    """The checks as one self-contained HTML page.

    Parameters
    ----------
    checks : FitChecks
        From :func:`retreat.check_fit`.
    """
    ended = ", ".join(f"{n} {end.replace('_', ' ')}" for end, n in checks.ended.items())
    intro = [
        f"{checks.definition}: {checks.title}. Bayesian fit ({checks.method}) to {checks.n_cases} cases of "
        f"{checks.n_patients} patients ({ended}); {checks.n_left_out} cases left out.",
        _CAUTION,
    ]
    sections = [
        Section("In short", summary_lines(checks)),
        _replicated(checks),
        *_numbers(checks),
        _unseen(checks),
        *_beside(checks),
        *_notes(checks),
    ]
    return render_report(TITLE, intro, sections, banners=checks.cautions)


def summary_lines(checks: FitChecks) -> list[str]:
    """The checks in a few lines, for the top of the page and for a terminal."""
    return [
        *[f"Not fitted: {failure}." for failure in checks.failures],
        *_likeness(checks),
        *_spread(checks),
        _weights(checks.leave_one_out),
        *comparison_lines(checks),
    ]


def comparison_lines(checks: FitChecks) -> list[str]:
    """Which definition to keep, one line beside each other one."""
    return [
        f"{row.name} beside {checks.definition}: {row.reading} (difference {row.difference:+.1f}, standard error "
        f"{row.difference_error:.1f})."
        for row in checks.beside[1:]
    ]


def number_columns() -> tuple[str, ...]:
    """Headings of :func:`number_rows`."""
    return ("Number", "Cases", "This clinic", "Replicated", "p", "Reading")


def number_rows(checks: FitChecks, group: str = "") -> list[tuple[str, ...]]:
    """Numbers of the clinic beside those of replicated ones, all or of one group, as text."""
    return [
        (
            row.what,
            str(row.n),
            f"{row.observed:.2f}",
            f"{row.low:.2f} to {row.high:.2f}",
            _p(row.p, checks.discrepancies.n_clinics),
            row.reading,
        )
        for row in checks.discrepancies.rows
        if group in ("", row.group)
    ]


def comparison_columns() -> tuple[str, ...]:
    """Headings of :func:`comparison_rows`."""
    return (
        "Definition",
        "Score",
        "Effective parameters",
        "Difference",
        "Standard error",
        "Weight",
    )


def comparison_rows(checks: FitChecks) -> list[tuple[str, ...]]:
    """Definitions beside each other, as text."""
    return [
        (
            row.name,
            _told(row.elpd),
            _told(row.n_effective),
            "" if number == 0 else _told(row.difference, "+.1f"),
            "" if number == 0 else _told(row.difference_error),
            f"{row.weight:.2f}",
        )
        for number, row in enumerate(checks.beside)
    ]


def _likeness(checks: FitChecks) -> list[str]:
    found = checks.discrepancies
    far = found.against
    near = [row for row in found.rows if AGAINST <= row.p < WORTH_A_LOOK]
    if far:
        told = listed([f"{row.what} ({row.reading})" for row in far[:3]])
        more = f" and {len(far) - 3} more" if len(far) > 3 else ""
        return [f"This clinic is not what the model foresees: {told}{more}."]
    if near:
        told = listed([f"{row.what} ({row.reading})" for row in near[:3]])
        return [f"This clinic is nearly like those that the model foresees; yet look at {told}."]
    return [
        f"This clinic is like those that the model foresees, in each of {len(found.rows)} numbers looked at."
    ]


def _spread(checks: FitChecks) -> list[str]:
    found = checks.pit
    if found.p != found.p:
        return [f"Whether courses are as long as foreseen is not told: {found.reason}."]
    told = f"(p = {found.p:.2f}, leave-one-out transform)" if found.p >= 0.005 else "(p below 0.01)"
    if found.p >= WORTH_A_LOOK:
        return [f"Courses are as long, and as unequal, as the other cases foresee {told}."]
    return [f"Courses are not as long as the other cases foresee {told}: see the histogram."]


def _weights(found: CrossValidation) -> str:
    n = len(found.elpd)
    if found.n_high == 0:
        return (
            f"Leaving out a case by weights can be trusted in all {n} cases (k-hat at most {HIGH_KHAT:g}): no single "
            "case rules the fit."
        )
    high = "1 case rules" if found.n_high == 1 else f"{found.n_high} cases rule"
    if found.n_high > MOST_REFITS:
        return f"Take care: {high} the fit (k-hat over {HIGH_KHAT:g}); folds by patient stand in for the weights."
    how = "it was" if found.n_high == 1 else "they were"
    return f"{high} the fit (k-hat over {HIGH_KHAT:g}): {how} foreseen by a fit without it, not by weights."


def _replicated(checks: FitChecks) -> Section:
    found = checks.curves
    names = [end.replace("_", " ") for end in found.ends]
    image = replicated_figure(names, found.observed, found.replicated)
    level = 100 * checks.discrepancies.level
    alt = (
        f"Share {listed(names)} by session in this clinic, over {len(found.replicated)} replicated clinics; the table "
        "below holds the numbers."
    )
    rows: list[Sequence[Cell]] = [
        (
            f"{row.end.replace('_', ' ')} by session {row.session}",
            row.n_at_risk,
            f"{row.observed:.2f}",
            f"{row.low:.2f} to {row.high:.2f}",
            _p(row.p, checks.discrepancies.n_clinics),
        )
        for row in found.rows
    ]
    columns = ("End", "Had the session", "This clinic", f"Replicated, {level:.0f}%", "p")
    table = Table("Cumulative incidence (Aalen and Johansen)", columns, rows)
    text = (
        f"{checks.discrepancies.n_clinics} clinics were drawn as the model says they might have been. If this one "
        "does not look like them, the model misses something. Session effects were fitted, so shares by session agree "
        "almost by themselves: the other numbers say more."
    )
    caption = f"Black: this clinic. Blue: {len(found.replicated)} of the replicated clinics."
    return Section(
        "Clinics replicated from the fit", [text, _CENSORING], [Figure(image, alt, caption)], [table]
    )


def _numbers(checks: FitChecks) -> list[Section]:
    groups = [group for group, _ in groupby(checks.discrepancies.rows, key=lambda row: row.group)]
    tables = [
        Table(group.capitalize(), number_columns(), number_rows(checks, group))
        for group in dict.fromkeys(groups)
    ]
    text = (
        f"p is twice the smaller tail among the replicated clinics. Below {WORTH_A_LOOK:g} a number is worth a look, "
        f"below {AGAINST:g} it speaks against the model. As the model was fitted to this clinic, p is cautious: in "
        f"clinics that follow the model far fewer than 1 of 20 numbers fall below {WORTH_A_LOOK:g}. The lead says how "
        "far eyes that were relieved had been foreseen as easier; if it is lost in later sessions faster than the "
        "model says, eyes differ in ways the model does not know, and forecasts during a course are too bold."
    )
    return [Section("Number by number", [text], (), tables)]


def _unseen(checks: FitChecks) -> Section:
    rows: list[Sequence[Cell]] = []
    for found in (checks.leave_one_out, checks.folds):
        if found is None:
            continue
        scheme = "Each case left out" if found.scheme == "case" else f"{found.n_folds} folds by patient"
        high = f"{found.n_high}" if found.scheme == "case" else "none used"
        rows.append(
            (
                scheme,
                _told(found.total),
                _told(found.standard_error),
                _told(found.n_effective),
                high,
                int(found.refitted.sum()),
            )
        )
    columns = (
        "How",
        "Score",
        "Standard error",
        "Effective parameters",
        f"k-hat over {HIGH_KHAT:g}",
        "Cases foreseen by refits",
    )
    table = Table("Log score of unseen cases (higher is better)", columns, rows)
    found_pit = checks.pit
    image = transform_figure(found_pit.histogram.edges, found_pit.histogram.observed)
    shares = ", ".join(f"{share:.2f}" for share in found_pit.histogram.observed.tolist())
    alt = f"Shares of the cases in ten equal parts of their foreseen distributions: {shares}; 0.10 each if even."
    caption = (
        "Too many on the left: courses are shorter than foreseen; on both sides: the model is too sure. A course still "
        "going on is spread over all that is longer (Czado and others 2009, from memory). Effects of the sessions were "
        "fitted, so this too is cautious."
    )
    return Section("Cases foreseen by the others", [_UNSEEN], [Figure(image, alt, caption)], [table])


def _beside(checks: FitChecks) -> list[Section]:
    if len(checks.beside) < 2:
        return []
    table = Table("Definitions beside each other", comparison_columns(), comparison_rows(checks))
    return [Section("Beside other definitions", [_BESIDE, *comparison_lines(checks)], (), [table])]


def _notes(checks: FitChecks) -> list[Section]:
    if not checks.notes:
        return []
    return [Section("What to know", [f"{note[0].upper()}{note[1:]}." for note in checks.notes])]


def _p(p: float, n_clinics: int) -> str:
    if p != p:
        return "not told"
    return f"below {2 / n_clinics:g}" if p <= 1 / n_clinics else f"{p:.3f}"


def _told(value: float, form: str = ".1f") -> str:
    return "not told" if value != value else format(value, form)
