"""Page of a definition's priors: what each says, what they imply, what cases make of them; nothing is computed here."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from retreat.definitions import Definition
from retreat.elicitation.implied import HORIZON, SESSIONS, Implied
from retreat.elicitation.prior_lines import PriorLine
from retreat.elicitation.reporting import PriorReport
from retreat.elicitation.sensitivity import PRIOR_SPEAKS, SETTLED, SURPRISING, THRESHOLD, Sensitivity
from retreat.pages.html import render
from retreat.pages.range_plots import range_figure
from retreat.pages.report import Cell, Figure, Section, Table
from retreat.pages.words import count, listed

TITLE = "What do these priors say?"
_CAUTION = (
    "A prior is what a model takes for likely before it sees a case. It is an opinion with a reason: read the reasons, "
    "and argue with them. Nothing here is for a patient or decides on treatment; models that rest on it support "
    "counselling only."
)
_READING = (
    "Odds are of ending so at a session against going on. A factor of 1 is no difference, 2 doubles the odds, 0.5 "
    "halves them. In brackets: between which 95 of 100 values lie, if the prior is right. Where several hold, the "
    "later one counts.",
)
_SCALES = {"progress": "numbers on the scales of the state of the eye", "landmark": "log odds of ending"}
WHAT_TO_DO = (
    "What to do: see whether the rows of such eyes are right in the table; then read the reasons of the priors "
    "behind them, and ask whether they hold in this clinic. If one does not, copy the definition, move or widen that "
    "prior, write why, and fit again; retreat elicit makes one from an operator's answers. Until then, take care with "
    "forecasts of these eyes: they are a compromise between two sides that disagree."
)
NONE_APART = (
    "Prior and cases do not pull apart in anything shown: where a number hangs on both, the cases are such as the "
    "prior led to expect."
)


def render_priors(report: PriorReport) -> str:
    """The report as one self-contained HTML page.

    Parameters
    ----------
    report : PriorReport
        From :func:`retreat.elicitation.prior_report`.
    """
    definition = report.definition
    priors = [
        (subject.capitalize(), [(number_words(line), line.why) for line in lines])
        for subject, lines in groupby(report.lines, key=lambda line: line.subject)
    ]
    if definition.history:
        heading = f"A course under way: {_SCALES[definition.history.kind]}"
        priors.append((heading, course_lines(definition)))
    return render(
        "priors.html",
        title=TITLE,
        intro=[f"{definition.name}: {definition.title}. {definition.purpose}", _CAUTION],
        banners=report.cautions,
        sections=_sections(report),
        reading=_READING,
        priors=priors,
    )


def course_lines(definition: Definition) -> list[tuple[str, str]]:
    """Priors of how a course goes on and their reasons, on the scales of the state of the eye.

    Examples
    --------
    >>> from retreat.definitions import read_definition
    >>> course_lines(read_definition("progress"))[0][0]
    'clear level: mean -0.7, standard deviation 1'
    >>> course_lines(read_definition("progress"))[5][0]
    'clear operator: half-normal of scale 0.5'
    >>> course_lines(read_definition("core"))
    []
    """
    return [
        (
            f"{', '.join(filter(None, (prior.parameter.replace('_', ' '), prior.end.replace('_', ' '))))}: "
            # a spread has a half-normal prior, and its reason says so first
            + (
                f"half-normal of scale {prior.sd:g}"
                if prior.why.startswith("Half-normal")
                else f"mean {prior.mean:g}, standard deviation {prior.sd:g}"
            ),
            prior.why,
        )
        for prior in (definition.history.priors if definition.history else ())
    ]


def number_words(line: PriorLine) -> str:
    """A prior's number in odds terms.

    Examples
    --------
    >>> number_words(PriorLine("size", "twice as much", "relieved", 0.5, 0.25, 1.0, "a reason"))
    'twice as much, relieved: odds times 0.5 (0.25 to 1)'
    """
    times = "" if line.comparison.startswith("odds") else "odds times "
    between = f"{line.low:.2g} to {line.high:.2g}"
    return f"{line.comparison}, {line.end.replace('_', ' ')}: {times}{line.middle:.2g} ({between})"


def quantity_words(name: str) -> str:
    """A quantity as it is said.

    Examples
    --------
    >>> quantity_words("relieved_2"), quantity_words("one_session_1"), quantity_words("sessions")
    ('relieved by session 2', 'one session by session 1', 'sessions on average')
    """
    if name == SESSIONS:
        return "sessions on average"
    end, _, session = name.rpartition("_")
    return f"{end.replace('_', ' ')} by session {session}"


def summary_lines(report: PriorReport) -> list[str]:
    """The report in a few lines, for the top of the page and for a terminal."""
    lines = _failure_lines(report)
    low, high = report.prior.range(report.level)
    mean = report.prior.mean()
    for i, eye in enumerate(report.prior.eyes):
        told = [
            f"{_shown(name, mean[i, q])} {quantity_words(name)}"
            for q, name in enumerate(report.prior.quantities)
            if name != SESSIONS
        ]
        widest = f"(from {_span(report.prior.quantities[0], low[i, 0], high[i, 0])} at the first)"
        worth = _worth(float(report.effective[i]))
        lines.append(
            f"Of 100 eyes like {eye}: {listed(told)} {widest}, say the priors; they are worth {worth} like it."
        )
    lines += conflict_lines(report)
    return lines


def closing_lines(report: PriorReport) -> list[str]:
    """What stands below the tables in a terminal: what the priors are worth, and where cases contradict them."""
    worth = [
        f"{_worth(float(n))} like {_short(eye)}"
        for n, eye in zip(report.effective, report.prior.eyes, strict=True)
    ]
    return [
        *_failure_lines(report),
        f"The priors of a share by session 1 are worth {listed(worth)}.",
        *conflict_lines(report),
    ]


def conflict_lines(report: PriorReport) -> list[str]:
    """Where priors and cases pull apart, and what to do; empty without cases."""
    if not report.sensitivities:
        return []
    if not report.conflicts:
        return [NONE_APART]
    lines = []
    for what, group in groupby(report.conflicts, key=lambda one: one.what):
        found = list(group)
        if what in report.prior.eyes:
            lines.append(f"Take care, prior and cases pull apart for {what}: {_moved(report, what, found)}.")
    priors = [
        f"{one.what} ({one.quantity.replace('_', ' ')})"
        for one in report.conflicts
        if one.what not in report.prior.eyes
    ]
    if priors:
        lines.append(f"Priors that the cases pull against: {listed(priors)}.")
    return [*lines, WHAT_TO_DO]


def implied_rows(report: PriorReport) -> list[tuple[str, ...]]:
    """Eye and quantity, by the priors, after the cases, and how far it hangs on the prior, as text."""
    known = {(one.what, one.quantity): one.diagnosis for one in report.sensitivities}
    rows = []
    for i, eye in enumerate(report.prior.eyes):
        for q, name in enumerate(report.prior.quantities):
            cells = [eye, quantity_words(name), _cell(report.prior, i, q, report.level)]
            if report.posterior is not None:
                cells.append(_cell(report.posterior, i, q, report.level))
            if known:
                cells.append(known.get((eye, name), ""))
            rows.append(tuple(cells))
    return rows


def implied_columns(report: PriorReport) -> tuple[str, ...]:
    """Headings of :func:`implied_rows`."""
    return (
        "Eye",
        "Quantity",
        "By the priors",
        *(("After the cases",) if report.posterior is not None else ()),
        *(("Reading",) if report.sensitivities else ()),
    )


def _failure_lines(report: PriorReport) -> list[str]:
    lines = [f"Not fitted: {failure}." for failure in report.failures]
    if lines:
        lines.append("The fit failed its own checks, so nothing is told of what the cases say.")
    return lines


def _worth(n: float) -> str:
    return f"{n:.0f} eyes" if n >= 1.5 else "one eye" if n >= 0.5 else "less than one eye"


def _sections(report: PriorReport) -> list[Section]:
    facts = [
        "Shares are of 100 eyes, for an operator the model has not seen; in brackets "
        f"{100 * report.level:.0f}% ranges. "
        f"Sessions on average count a course that goes on past session {HORIZON} as {HORIZON}.",
        *([f"After the cases: learned from {report.learned_from}."] if report.learned_from else []),
        *[f"{note[0].upper()}{note[1:]}." for note in report.notes],
    ]
    tables = [
        Table(
            f"{eye[0].upper()}{eye[1:]}",
            implied_columns(report)[1:],
            [row[1:] for row in implied_rows(report) if row[0] == eye],
        )
        for eye in report.prior.eyes
    ]
    return [
        Section("In short", summary_lines(report)),
        Section("What the priors together imply", facts, _figures(report), tables),
        *_hanging(report),
    ]


def _figures(report: PriorReport) -> list[Figure]:
    """Pictures of two eyes each, so that they stay legible in print."""
    return [_figure(report, slice(i, i + 2)) for i in range(0, len(report.prior.eyes), 2)]


def _figure(report: PriorReport, eyes: slice) -> Figure:
    shares = [q for q, name in enumerate(report.prior.quantities) if name != SESSIONS]
    sides = [("By the priors", report.prior)]
    if report.posterior is not None:
        sides.append(("After the cases", report.posterior))
    names = [_short(eye) for eye in report.prior.eyes[eyes]]
    series = []
    for label, told in sides:
        point, low, high = _hundred(told, shares, report.level)
        series.append((label, point[eyes], low[eyes], high[eyes]))
    words = [quantity_words(report.prior.quantities[q]) for q in shares]
    image = range_figure(names, words, series, axis="Of 100 eyes")
    alt = (
        f"Shares of {listed(names)}, {listed([label.lower() for label, _ in sides])}, with "
        f"{100 * report.level:.0f}% ranges; the tables below hold the numbers."
    )
    return Figure(image, alt, "")


def _hanging(report: PriorReport) -> list[Section]:
    """What hangs on priors: sensitivities of the coefficients."""
    if not report.sensitivities:
        return []
    text = (
        "If the priors, or the cases, were made a little stronger or weaker, how far would a number move? From "
        f"{THRESHOLD:g} on it is told (power-scaling, Kallioinen and others 2024). Moved by the prior alone: the cases "
        "say little of it. Moved by both: the two pull apart if the cases are also a surprise, which means that they "
        f"moved the number by {SURPRISING:.1f} or more standard deviations of such moves if the prior were right (1 in "
        "1,000 by chance). Numbers of eyes are here for the operators of these cases taken together."
    )
    spoken = [one for one in report.sensitivities if one.diagnosis == PRIOR_SPEAKS]
    texts = [text]
    if spoken:
        names = dict.fromkeys(f"{_short(one.what)} ({_quantity(report, one)})" for one in spoken)
        texts.append(f"Where the prior speaks and the cases say little: {listed(list(names))}.")
    rows: list[Sequence[Cell]] = [
        (
            f"{_short(one.what)}: {_quantity(report, one)}",
            f"{one.prior:.2f}",
            f"{one.likelihood:.2f}",
            f"{one.surprise:.1f}",
            one.diagnosis,
        )
        for one in report.sensitivities
        if one.diagnosis != SETTLED or one.what not in report.prior.eyes
    ]
    table = Table(
        "What moves each number",
        ("Number", "Moved by the priors", "By the cases", "Surprise", "Reading"),
        rows,
    )
    return [Section("What hangs on the priors", texts, (), (table,))]


def _short(eye: str) -> str:
    """An eye without what stands in brackets."""
    return eye.partition(" (")[0]


def _quantity(report: PriorReport, one: Sensitivity) -> str:
    return quantity_words(one.quantity) if one.what in report.prior.eyes else one.quantity.replace("_", " ")


def _moved(report: PriorReport, eye: str, found: Sequence[Sensitivity]) -> str:
    """From what to what the cases moved each quantity of an eye."""
    after = report.posterior
    if after is None:
        return listed([quantity_words(one.quantity) for one in found])
    i = report.prior.eyes.index(eye)
    told = []
    for one in found:
        q = report.prior.quantities.index(one.quantity)
        before, now = report.prior.mean()[i, q], after.mean()[i, q]
        told.append(
            f"{quantity_words(one.quantity)} from {_shown(one.quantity, before)} by the priors "
            f"to {_shown(one.quantity, now)} after the cases"
        )
    return listed(told)


def _cell(told: Implied, eye: int, q: int, level: float) -> str:
    low, high = told.range(level)
    name = told.quantities[q]
    return f"{_shown(name, told.mean()[eye, q])} ({_span(name, low[eye, q], high[eye, q])})"


def _shown(name: str, value: float) -> str:
    return f"{value:.1f}" if name == SESSIONS else count(round(100 * value))


def _span(name: str, low: float, high: float) -> str:
    return f"{_shown(name, low)} to {_shown(name, high)}"


def _hundred(
    told: Implied, shares: Sequence[int], level: float
) -> tuple[list[list[float]], list[list[float]], list[list[float]]]:
    low, high = told.range(level)
    point, bottom, top = (
        [[100.0 * float(row[q]) for q in shares] for row in values] for values in (told.mean(), low, high)
    )
    return point, bottom, top
