"""Page of a case series, in the order of a paper: who was studied, effects, model in hand, reporting form."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from retreat.pages import study_tables as tables
from retreat.pages.feature_names import in_short_names
from retreat.pages.html import render
from retreat.pages.paper import Form
from retreat.pages.report import Figure
from retreat.study.in_hand.content import Content, Grid, Passage, Picture
from retreat.study.reporting.from_effects import cases_words

if TYPE_CHECKING:
    from retreat.study.effects.record import DrawnEffects, Effects
    from retreat.study.in_hand.points import PointChart
    from retreat.study.series import StudySeries

_LOGIC = "Eyes within patients: intervals are from samples of whole patients, or with patients as units."

# pictures of a size of their own, a page each on paper
_SHEETS = ("points", "chances")


@dataclass(frozen=True)
class Chapter:
    """A part of the page.

    Parameters
    ----------
    key : str
        Its address on the page.
    heading : str
        Heading.
    passages : tuple of Passage
        What it says.
    """

    key: str
    heading: str
    passages: tuple[Passage, ...]


def study_chapters(series: StudySeries) -> tuple[Chapter, ...]:
    """The page in chapters.

    Parameters
    ----------
    series : StudySeries
        From :func:`retreat.study.study_series`.
    """
    return (
        Chapter("studied", "Who was studied", _studied(series)),
        Chapter("effects", "Effects", _effects(series)),
        *((Chapter("drawn", "Effects from a posterior", _drawn(series)),) if _asked_drawn(series) else ()),
        Chapter("model", "Model in hand", _model(series)),
        Chapter("form", "Reporting form", _form(series)),
    )


def study_content(series: StudySeries, chapters: tuple[Chapter, ...]) -> Content:
    """The chapters as one content, for a Word file; headings of passages tell their chapter.

    Parameters
    ----------
    series : StudySeries
        The series.
    chapters : tuple of Chapter
        From :func:`study_chapters` of it.
    """
    passages = tuple(
        Passage(
            f"{chapter.heading}: {one.heading}",
            one.paragraphs,
            one.points,
            one.lines,
            one.grids,
            one.pictures,
        )
        for chapter in chapters
        for one in chapter.passages
    )
    return Content(series.title, series.cautions, (Passage("About", _about(series)), *passages))


def render_study(series: StudySeries, chapters: tuple[Chapter, ...]) -> str:
    """The chapters as one self-contained HTML file.

    Parameters
    ----------
    series, chapters
        As for :func:`study_content`.
    """
    return render(
        "study.html",
        title=series.title,
        banners=series.cautions,
        intro=_about(series),
        chapters=chapters,
        sheets=_SHEETS,
        uri=lambda picture: Figure(picture.svg.decode(), picture.alt).source,
    )


def _about(series: StudySeries) -> tuple[str, ...]:
    facts = series.facts
    missing = tuple(f"Not on this page: {name}. {why}." for name, why in series.refused.items())
    return (
        f"Definition {facts['definition']}, model {facts['model_id']}, retreat {facts['retreat_version']}, seed "
        f"{facts['seed']}. {_LOGIC}",
        series.cohort.rule,
        *missing,
    )


def _studied(series: StudySeries) -> tuple[Passage, ...]:
    frames, facts = series.cohort.frames, series.cohort.facts
    level, resamples = 100 * facts["level"], facts["resamples"]
    bars = f"{level:.0f}% intervals from {resamples} samples of whole patients."
    incidence = frames["incidence"]
    first = tables.baseline_grid(frames["baseline"], facts["by"])
    pictures: tuple[Picture, ...] = ()
    if incidence["incidence"].notna().any():
        pictures = (_incidence_picture(series, bars),)
    return (
        Passage(
            "Flow of records",
            (
                "A case is left out for the first feature it lacks. Patients and eyes of a row may stand in others.",
                _analyses(series),
            ),
            grids=(tables.flow_grid(frames["flow"]),),
        ),
        Passage("First table", grids=(first,)),
        *(_hidden_cells(series) if any(tables.HIDDEN in row for row in first.rows) else ()),
        Passage(
            "Balance",
            (
                "Differences in units of the spread within groups; no tests, as the groups were not drawn by lot.",
            ),
            grids=(tables.differences_grid(frames["differences"]),),
        ),
        Passage("Follow-up", grids=(tables.follow_up_grid(frames["follow_up"]),)),
        Passage(
            "Incidence",
            (f"Aalen and Johansen's estimate: cases that stop are never counted as relieved later. {bars}",),
            pictures=pictures,
            grids=(tables.incidence_grid(incidence),),
        ),
        Passage(
            "Life table by session",
            ("Hazard: share of those at risk before a session that ended so at it.",),
            grids=tables.life_table_grids(frames["life_table"]),
        ),
    )


def _analyses(series: StudySeries) -> str:
    """Which cases each analysis is of: the model and the effects need not agree."""
    method = series.model.card.method
    told = [f"Analysed are complete cases: those of the model, its equation and its point chart ({method})."]
    for found in (series.effects, series.drawn):
        if found is not None:
            scale, method = str(found.facts["scale"]), found.facts["method"]
            told.append(f"{scale.capitalize()}s ({method}) are of {cases_words(found.facts)}.")
    return " ".join(told)


def _hidden_cells(series: StudySeries) -> tuple[Passage, ...]:
    text = (
        "A number can be hidden though its group is large: with the totals and the other numbers of its row or column "
        "it would let a small one be worked out. To see more, merge rare levels in the case table, tell the cases "
        "apart by something with larger groups (--by), or choose a lower --threshold where local rules allow it "
        f"(here counts below {series.facts['threshold']} are hidden)."
    )
    return (Passage("Why numbers are hidden", (text,)),)


def _incidence_picture(series: StudySeries, bars: str) -> Picture:
    from retreat.pages.study_plots import incidence_figure, unshown

    frame = series.cohort.frames["incidence"]
    title = _titled(series, f"Share relieved, stopped and in treatment after each session. {bars}")
    gone = unshown(frame)
    without = f" Not shown, too few: {', '.join(gone)}." if gone else ""
    return _picture(
        "incidence",
        "Share relieved, stopped and in treatment after each session, by kind; the table holds the numbers."
        + without,
        lambda form: incidence_figure(frame, title=title, form=form),
    )


def _effects(series: StudySeries) -> tuple[Passage, ...]:
    found = series.effects
    if found is None:
        return (_refused("Odds ratios", series.refused["effects"]),)
    scale = str(found.facts["scale"])
    return (
        Passage(
            f"{scale.capitalize()}s",
            (_made(found),),
            points=series.words(found.notes),
            grids=(tables.ratio_grid(found.ratios, scale), tables.joint_grid(found.joint)),
            pictures=(_forest(series, found, "forest"),),
        ),
        *_curves(series, found, "curves"),
        Passage(
            "Average effects",
            ("Every case had once with the one value and once with the other, all else as it is.",),
            grids=(tables.average_grid(found.averages),),
            pictures=(_averages(series, found, "averages"),),
        ),
        Passage(
            "What bias could do",
            (
                "An E-value is how strongly something not measured would have to go with both feature and end, as risk "
                "ratios, to explain away the estimate, or the limit of its interval nearer to 1 (VanderWeele and Ding "
                "2017, from memory).",
            ),
            grids=(tables.confounding_grid(found.confounding),),
        ),
    )


def _drawn(series: StudySeries) -> tuple[Passage, ...]:
    found = series.drawn
    if found is None:
        return (_refused("Effects from a posterior", series.refused["Bayesian effects"]),)
    scale = str(found.facts["scale"])
    return (
        Passage(
            f"{scale.capitalize()}s from a posterior",
            (
                _made(found),
                "Direction: share of draws on the side of the estimate. Too small to matter: share inside.",
            ),
            points=series.words(found.notes),
            grids=(tables.ratio_grid(found.ratios, scale),),
            pictures=(_forest(series, found, "forest_drawn"),),
        ),
        *_curves(series, found, "curves_drawn"),
        Passage(
            "Average effects from a posterior",
            grids=(tables.average_grid(found.averages),),
            pictures=(_averages(series, found, "averages_drawn"),),
        ),
    )


def _model(series: StudySeries) -> tuple[Passage, ...]:
    from retreat.pages.point_chart import point_sheets
    from retreat.study.in_hand.algebra_page import equation_content
    from retreat.study.in_hand.points_page import points_content

    passages: list[Passage] = []
    if series.equation is None:
        passages.append(_refused("Equation", series.refused["equation"]))
    else:
        passages += equation_content(series.model, series.equation).passages
    if series.chart is None:
        if "point chart" in series.refused:
            passages.append(_refused("Point chart", series.refused["point chart"]))
    else:
        for one in points_content(series.chart, point_sheets(series.chart)).passages:
            heading = f"Point chart: {one.heading[:1].lower()}{one.heading[1:]}"
            passages.append(_as_drawn(replace(one, heading=heading)))
        passages[-1] = _with_error(passages[-1], series.chart)
    return tuple(passages)


def _as_drawn(passage: Passage) -> Passage:
    """Words of a point chart with features named as on its sheets."""
    return replace(
        passage,
        paragraphs=tuple(in_short_names(text) for text in passage.paragraphs),
        grids=tuple(
            replace(grid, rows=tuple(tuple(in_short_names(cell) for cell in row) for row in grid.rows))
            for grid in passage.grids
        ),
    )


def _with_error(table: Passage, chart: PointChart) -> Passage:
    """The table of chances with how far a reading of it may be off: as a file it stands alone."""
    off = f"a reading is off by at most {100 * chart.errors.table:.1f} percentage points"
    return replace(
        table, grids=tuple(replace(grid, caption=f"{grid.caption}; {off}") for grid in table.grids)
    )


def _form(series: StudySeries) -> tuple[Passage, ...]:
    from retreat.study.reporting.page import form_content

    return form_content(series.form).passages


def _asked_drawn(series: StudySeries) -> bool:
    return series.drawn is not None or "Bayesian effects" in series.refused


def _refused(heading: str, why: str) -> Passage:
    return Passage(heading, (f"Not told: {why}.",))


def _made(found: Effects | DrawnEffects) -> str:
    facts = found.facts
    imputed = f", {facts['imputations']} completed tables" if facts["imputations"] else ""
    method = str(facts["method"])
    return f"{method[:1].upper()}{method[1:]}{imputed}; {100 * facts['level']:.0f}% intervals."


def _curves(series: StudySeries, found: Effects | DrawnEffects, name: str) -> tuple[Passage, ...]:
    from retreat.pages.effect_plots import curve_figure

    if found.curves.empty:
        return ()
    title = _titled(series, "Ratios along each number, pointwise intervals")
    scale = str(found.facts["scale"])
    alt = f"{scale.capitalize()}s along {', '.join(dict.fromkeys(found.curves['curve']))}."

    def drawn(form: Form) -> bytes:
        return curve_figure(found.curves, title=title, scale=scale, form=form)

    return (
        Passage(
            "Curves",
            (
                "Each number over the middle nine tenths of the cases, against the value where the ratio is 1.",
            ),
            pictures=(_picture(name, alt, drawn),),
        ),
    )


def _forest(series: StudySeries, found: Effects | DrawnEffects, name: str) -> Picture:
    from retreat.pages.effect_plots import forest_figure

    scale = str(found.facts["scale"])
    title = _titled(series, f"{scale.capitalize()}s with intervals")
    region = float(found.ratios["region"].iloc[0]) if "region" in found.ratios else None
    return _picture(
        name,
        f"{scale.capitalize()}s of each comparison for each end; the table holds the numbers.",
        lambda form: forest_figure(found.ratios, title=title, scale=scale, region=region, form=form),
    )


def _averages(series: StudySeries, found: Effects | DrawnEffects, name: str) -> Picture:
    from retreat.pages.effect_plots import average_figure

    title = _titled(series, "Average effects with intervals")
    return _picture(
        name,
        "Average effects of each comparison; the table holds the numbers.",
        lambda form: average_figure(found.averages, title=title, form=form),
    )


def _picture(name: str, alt: str, draw: Callable[[Form], bytes]) -> Picture:
    return Picture(name, draw("svg"), draw("png"), alt)


def _titled(series: StudySeries, text: str) -> str:
    """A picture goes its own way: it says itself that its cases were invented."""
    return f"{'Invented cases. ' if series.cohort.facts['invented'] else ''}{text}"


def all_grids(chapters: tuple[Chapter, ...]) -> dict[str, Grid]:
    """Every table of the page by a name fit for a file.

    Parameters
    ----------
    chapters : tuple of Chapter
        From :func:`study_chapters`.
    """
    found: dict[str, Grid] = {}
    for chapter in chapters:
        for one in chapter.passages:
            for place, grid in enumerate(one.grids, start=1):
                words = f"{chapter.key} {one.heading}" + (f" {place}" if len(one.grids) > 1 else "")
                found["_".join("".join(c if c.isalnum() else " " for c in words.lower()).split())] = grid
    return found
