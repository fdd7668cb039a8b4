"""The page of a point chart: how to use it, its table of chances, one example, and how far a reading may be off."""

from __future__ import annotations

import numpy as np

from retreat.study.in_hand.content import Content, Grid, Passage, Picture
from retreat.study.in_hand.hand import end_words
from retreat.study.in_hand.points import COLUMN_STEP, ROW_STEP, PointChart, table_axes


def points_content(chart: PointChart, pictures: tuple[Picture, ...] = ()) -> Content:
    """The page.

    Parameters
    ----------
    chart : PointChart
        From :func:`point_chart`.
    pictures : tuple of Picture
        The drawn sheets.
    """
    return Content(
        title=chart.title,
        cautions=chart.cautions,
        passages=(
            Passage("How to use it", points=how_to(chart), pictures=pictures),
            Passage("Worked example", (example_words(chart),), grids=(_example(chart),)),
            Passage("How far a reading may be off", points=error_words(chart)),
            Passage(
                "From totals to chances, in numbers",
                (f"Take the nearest row and the nearest column: rows are {ROW_STEP} points apart.",),
                grids=(_table(chart),),
            ),
        ),
    )


def how_to(chart: PointChart) -> tuple[str, ...]:
    """Steps of a reader."""
    ends = [end_words(end) for end in chart.hand.ends]
    totals = " and ".join(f"points towards {end}" for end in ends)
    steps = [
        f"For each feature find the value on its scale and read its {totals} off the ruler, to whole points.",
        "Of scales that differ in a setting, use the one that holds for the eye.",
        f"Add up the {totals} apart." if len(ends) > 1 else f"Add up the {totals}.",
        f"Find the chance of {ends[0]} where the totals meet, on the second sheet or in the table.",
        "It holds before the first session, for an eye inside the scales. Ask the package for any other.",
    ]
    return tuple(steps)


def example_words(chart: PointChart) -> str:
    """The worked example in a sentence or two."""
    one, ends = chart.example, [end_words(end) for end in chart.hand.ends]
    sums = [
        f"{' + '.join(str(p) for p in one.points[:, j])} = {one.totals[j]} points towards {end}"
        for j, end in enumerate(ends)
    ]
    told = "; ".join(
        f"by session {k}: chart {100 * a:.0f}%, equation {100 * b:.0f}%, package averaged over draws {100 * c:.0f}%"
        for k, a, b, c in zip(chart.horizons, one.chances, one.in_hand, one.averaged, strict=True)
    )
    return f"A made-up eye, not a patient: {'; '.join(one.labels)}. {'; '.join(sums)}. Chance of {ends[0]} {told}."


def error_words(chart: PointChart) -> tuple[str, ...]:
    """Largest errors in words."""
    e, drawn = chart.errors, "contours" if len(chart.longest) > 1 else "curve"
    return (
        f"Whole points alone move a chance by at most {100 * e.rounding:.1f} percentage points anywhere on the chart, "
        f"and by {100 * e.usual:.1f} on average for eyes like those fitted.",
        f"Largest reading error with the {drawn}, read to 2.5 percentage points: "
        f"{100 * e.contours:.1f} percentage points.",
        f"Largest reading error with the table, nearest row and column: {100 * e.table:.1f} percentage points.",
        chart.distance.words,
    )


def _example(chart: PointChart) -> Grid:
    one = chart.example
    rows = [(label, *(str(p) for p in points)) for label, points in zip(one.labels, one.points, strict=True)]
    rows.append(("total", *(str(p) for p in one.totals)))
    return Grid(
        "Points of the example",
        ("read at", *(f"towards {end_words(e)}" for e in chart.hand.ends)),
        tuple(rows),
    )


def _table(chart: PointChart) -> Grid:
    rows, columns = table_axes(chart)
    totals = np.stack(np.meshgrid(rows, columns, indexing="ij"), axis=-1)[..., : len(chart.longest)]
    chances = chart.chance(totals.astype(float))  # (rows, columns, horizons)
    first, *others = (end_words(end) for end in chart.hand.ends)
    heads = [f"{c} towards {others[0]}" for c in columns] if others else ["chance"]
    shown = tuple(
        (str(row), *(" / ".join(f"{100 * chance:.0f}" for chance in cell) for cell in line))
        for row, line in zip(rows, chances, strict=True)
    )
    apart = f"; columns are {COLUMN_STEP} points apart" if others else ""
    ks = " / ".join(str(k) for k in chart.horizons)
    caption = f"Chance of {first} by session {ks}, in percent{apart}"
    return Grid(caption, (f"points towards {first}", *heads), shown)
