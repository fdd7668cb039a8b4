"""Drawing of a point chart on two sheets of A4: scales to read points from, and contours from totals to chances."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from retreat.pages.feature_names import in_short_names, meant
from retreat.pages.paper import Form, paper, picture
from retreat.study.in_hand.content import Picture
from retreat.study.in_hand.hand import end_words
from retreat.study.in_hand.points import CONTOUR_STEP, LONGEST, PointChart
from retreat.study.in_hand.points_page import error_words, example_words, how_to

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from retreat.study.in_hand.scales import Scale

BLACK, BLUE, GREY = "#000000", "#0072B2", "#595959"
# a colour and a line for each end; each differs, so that grey prints and colour-blind eyes lose nothing
_ENDS = ((BLACK, "-"), (BLUE, (0, (4, 1.5))))
_A4 = (8.27, 11.69)  # inches
_SMALL, _PLAIN = 7.5, 9.0
# points that one letter of a mark takes in width, at the size of the scales
_LETTER = 1.05
# a scale shorter than this many points is told in words: its marks would run into each other
_SHORT = 3.0
_GAP = 0.6  # points between two marks in words
_ROUNDING = 1e-9  # a mark moved by just the gap keeps it, whatever the last digit
_CLEAR = 1.5  # points that a mark may reach to the left of 0: there stands the name of the scale
# middle of a mark in words, and whether it stands above
Place = tuple[float, bool]
_WIDTH = 122  # letters of a line of text


def point_sheets(chart: PointChart) -> tuple[Picture, Picture]:
    """Both sheets, each as SVG and as PNG; the same chart gives the same bytes.

    Parameters
    ----------
    chart : PointChart
        From :func:`retreat.study.in_hand.point_chart`.

    Returns
    -------
    tuple of Picture
        Scales, and chances.
    """
    ends = " and ".join(end_words(end) for end in chart.hand.ends)
    ks = ", ".join(str(k) for k in chart.horizons)
    return (
        Picture(
            "points",
            scale_sheet(chart, "svg"),
            scale_sheet(chart, "png"),
            f"Scales of points towards {ends} for each feature. The example: {_example(chart)}",
        ),
        Picture(
            "chances",
            chance_sheet(chart, "svg"),
            chance_sheet(chart, "png"),
            f"Chance of {end_words(chart.hand.ends[0])} by session {ks} over the total points; "
            "the table says the same.",
        ),
    )


def scale_sheet(chart: PointChart, kind: Form = "svg") -> bytes:
    """The sheet of scales, one block an end.

    Parameters
    ----------
    chart : PointChart
        The chart.
    kind : {"svg", "png"}
        Form of the picture.
    """
    from matplotlib.figure import Figure

    rows = [_rows(chart, j) for j in range(len(chart.hand.ends))]
    with paper(_SMALL):
        figure = Figure(figsize=_A4)
        top = _head(figure, chart, (*how_to(chart), _meanings(chart)))
        heights = np.array([len(block) + 1.6 for block in rows])
        share = (top - 0.045) * heights / heights.sum()
        for j, block in enumerate(rows):
            axes = figure.add_axes((0.24, top - share[: j + 1].sum(), 0.72, share[j] - 0.01))
            _draw_end(axes, chart, j, block)
        unit = f"One point is {chart.unit:.4f} on the scale of the linear predictor, for every end."
        figure.text(0.04, 0.015, unit, fontsize=_SMALL, color=GREY)
        return picture(figure, kind)


def chance_sheet(chart: PointChart, kind: Form = "svg") -> bytes:
    """The sheet from total points to the chance of the first end, with the worked example.

    Parameters
    ----------
    chart : PointChart
        The chart.
    kind : {"svg", "png"}
        Form of the picture.
    """
    from matplotlib.figure import Figure

    with paper(_PLAIN):
        figure = Figure(figsize=_A4)
        top = _head(figure, chart, (f"Example. {_example(chart)}", *_errors(chart)))
        n = len(chart.horizons)
        height = (top - 0.06) / n
        for i in range(n):
            axes = figure.add_axes((0.1, top - (i + 1) * height + 0.035, 0.86, height - 0.075))
            draw = _draw_contours if len(chart.longest) > 1 else _draw_curve
            draw(axes, chart, i)
        return picture(figure, kind)


def _head(figure: Figure, chart: PointChart, lines: tuple[str, ...]) -> float:
    """Title, cautions and lines of text; gives back where they end."""
    at = 0.975
    figure.text(0.04, at, chart.title, fontsize=12, fontweight="bold", va="top")
    at -= 0.024
    for bold, text in [(True, line) for line in chart.cautions] + [(False, line) for line in lines]:
        for line in textwrap.wrap(text, _WIDTH):
            figure.text(
                0.04, at, line, fontsize=_SMALL + 0.5, va="top", fontweight="bold" if bold else "normal"
            )
            at -= 0.0135
        at -= 0.003
    return at - 0.01


def _meanings(chart: PointChart) -> str:
    names = dict.fromkeys(name for one in chart.components for name in one.features)
    return f"Features. {'; '.join(meant(name) for name in names)}."


def _errors(chart: PointChart) -> tuple[str, ...]:
    """How far a reading of the sheet may be off; that of the table stands beside the table."""
    return tuple(line for line in error_words(chart) if "with the table" not in line)


def _example(chart: PointChart) -> str:
    return in_short_names(example_words(chart))


def _rows(chart: PointChart, end: int) -> list[tuple[Scale, tuple[int, int]]]:
    """Scales of an end, a scale that turns back once a stretch."""
    rows = []
    for scale in chart.scales:
        whole = [(0, scale.values.shape[1] - 1)]
        rows += [(scale, run) for run in (whole if _is_short(scale, end) else scale.runs(end))]
    return rows


def _is_short(scale: Scale, end: int) -> bool:
    return bool(np.ptp(scale.values[end]) < _SHORT)


def _draw_end(axes: Axes, chart: PointChart, end: int, rows: list[tuple[Scale, tuple[int, int]]]) -> None:
    colour, line = _ENDS[end]
    name = end_words(chart.hand.ends[end])
    bottom = -len(rows) - 0.6
    axes.set(xlim=(-1, LONGEST + 1), ylim=(bottom, 1.0))
    axes.axis("off")
    for x in range(0, LONGEST + 1):
        length = 0.32 if x % 10 == 0 else 0.22 if x % 5 == 0 else 0.12
        axes.plot([x, x], [0, length], color=BLACK, linewidth=0.6, solid_capstyle="butt")
        if x % 10 == 0:
            axes.plot([x, x], [bottom + 0.3, 0], color=GREY, linewidth=0.35, linestyle=":")
            axes.text(x, 0.38, str(x), ha="center", va="bottom", fontsize=_SMALL)
    axes.plot([0, LONGEST], [0, 0], color=BLACK, linewidth=0.8)
    axes.text(
        -2.5, 0.1, f"Points towards {name}", ha="right", va="bottom", fontsize=_PLAIN, fontweight="bold"
    )
    for place, (scale, run) in enumerate(rows):
        _draw_scale(axes, scale, end, run, -place - 1.0, colour, line)


def _draw_scale(
    axes: Axes, scale: Scale, end: int, run: tuple[int, int], y: float, colour: str, line: object
) -> None:
    first, last = run
    values = scale.values[end]
    here = values[first : last + 1]
    axes.plot([here.min(), here.max()], [y, y], color=colour, linestyle=line, linewidth=1.1)
    part = ""
    if scale.continuous and last - first < len(values) - 1:  # one stretch of a scale that turns back
        part = f", {scale.positions[first]:.3g} to {scale.positions[last]:.3g}"
    label = textwrap.fill(in_short_names(scale.label) + part, 26)
    axes.text(-2.5, y, label, ha="right", va="center", fontsize=_SMALL, linespacing=1.0)
    if _is_short(scale, end):
        axes.text(values.max() + 1.2, y, in_words(scale, end), va="center", fontsize=_SMALL - 0.5)
        return
    marks = [(values[i], mark) for i, mark in zip(scale.at, scale.marks, strict=True) if first <= i <= last]
    marks.sort()
    texts = [mark if scale.continuous else f"{mark} ({x:.0f})" for x, mark in marks]
    laid = [x for x, _ in marks], [_LETTER * len(text) for text in texts]
    places = _numbers(*laid) if scale.continuous else _levels(*laid)
    for (x, _), text, place in zip(marks, texts, places, strict=True):
        axes.plot([x, x], [y - 0.11, y + 0.11], color=colour, linewidth=0.9)
        if place is None:
            continue  # a tick without its number; its neighbours tell
        middle, above = place
        axes.text(
            middle,
            y + (0.15 if above else -0.15),
            text,
            ha="center",
            va="bottom" if above else "top",
            fontsize=_SMALL - 0.5,
        )


def _levels(marks: Sequence[float], widths: Sequence[float]) -> list[Place]:
    """Where the name of each level stands: above, below, or moved aside; none may be left out."""
    places: list[Place] = []
    ends = {False: -np.inf, True: -np.inf}  # where the last name above and below reaches to
    for x, width in zip(marks, widths, strict=True):
        half = width / 2
        x = max(x, half - _CLEAR)
        above = next((up for up in (True, False) if x - half > ends[up] + _GAP), None)
        if above is None:
            above = ends[True] <= ends[False]
            x = ends[above] + _GAP + half
        places.append((x, above))
        ends[above] = x + half
    return places


def _numbers(marks: Sequence[float], widths: Sequence[float]) -> list[Place | None]:
    """Where the number of each mark stands, above or below; None where it would run into another.

    Where not all have room in turn, both ends come first, above and if need be moved apart, then the middle, then what
    halves the rest.

    Examples
    --------
    >>> [place and place[1] for place in _numbers([0.0, 1.0, 2.0, 3.0, 4.0], [3.0] * 5)]
    [True, None, False, None, True]
    """
    in_turn = _levels(marks, widths)
    if all(
        x == max(mark, width / 2 - _CLEAR) for (x, _), mark, width in zip(in_turn, marks, widths, strict=True)
    ):
        return list(in_turn)
    places: list[Place | None] = [None] * len(marks)

    def free(middle: float, width: float, above: bool) -> bool:
        return all(
            abs(middle - place[0]) >= (width + other) / 2 + _GAP - _ROUNDING
            for place, other in zip(places, widths, strict=True)
            if place is not None and place[1] == above
        )

    for i in _by_halves(len(marks)):
        half = widths[i] / 2
        middle = max(marks[i], half - _CLEAR)
        if i and i == len(marks) - 1 and places[0] is not None:
            middle = max(middle, places[0][0] + (widths[0] + widths[i]) / 2 + _GAP)
        above = next((up for up in (True, False) if free(middle, widths[i], up)), None)
        if above is not None:
            places[i] = (middle, above)
    return places


def _by_halves(n: int) -> list[int]:
    """Places from 0 in the order ends, middle, middles of the halves, and so on.

    Examples
    --------
    >>> _by_halves(7)
    [0, 6, 3, 1, 4, 2, 5]
    """
    order = [0, n - 1] if n > 1 else list(range(n))
    stretches = [(0, n - 1)]
    while stretches:
        low, high = stretches.pop(0)
        middle = (low + high) // 2
        if low < middle:
            order.append(middle)
            stretches += [(low, middle), (middle, high)]
    return order


def in_words(scale: Scale, end: int) -> str:
    """A short scale in words: which values have how many whole points."""
    whole = np.rint(scale.values[end]).astype(int)
    if not scale.continuous:
        told = {
            p: [m for i, m in zip(scale.at, scale.marks, strict=True) if whole[i] == p]
            for p in sorted(set(whole))
        }
        return "; ".join(f"{', '.join(marks)} ({p})" for p, marks in told.items())
    if len(set(whole)) == 1:
        return f"any value ({whole[0]})"
    cuts = np.flatnonzero(np.diff(whole)) + 1
    edges = [f"{scale.positions[c]:.3g}" for c in cuts]
    parts = [f"up to {edges[0]} ({whole[0]})"]
    parts += [f"to {edge} ({whole[c]})" for c, edge in zip(cuts, edges[1:], strict=False)]
    return "; ".join([*parts, f"above ({whole[-1]})"])


def _draw_contours(axes: Axes, chart: PointChart, i: int) -> None:
    first, other = (end_words(end) for end in chart.hand.ends)
    x, y = (np.linspace(0, top, 161) for top in chart.longest)
    totals = np.stack(np.meshgrid(x, y), axis=-1)
    chances = chart.chance(totals)[..., i]
    levels = np.round(np.arange(CONTOUR_STEP, 1.0, CONTOUR_STEP), 2)
    tens = np.isclose(np.round(10 * levels), 10 * levels)
    for chosen, colour, line, width, up in ((tens, BLACK, "-", 1.1, 0.12), (~tens, BLUE, "--", 0.8, 0.32)):
        drawn = axes.contour(x, y, chances, levels[chosen], colors=colour, linestyles=line, linewidths=width)
        row = int(up * (len(y) - 1))  # numbers of one kind in one row, where lines stand apart
        places = [
            (float(np.interp(level, chances[row], x)), float(y[row]))
            for level in levels[chosen]
            if chances[row, 0] < level < chances[row, -1]
        ]
        axes.clabel(drawn, fmt=lambda v: f"{100 * v:.0f}%", fontsize=_SMALL, manual=places)
    at = chart.example.totals
    axes.plot([at[0], at[0]], [0, at[1]], color=GREY, linewidth=0.8, linestyle=":")
    axes.plot([0, at[0]], [at[1], at[1]], color=GREY, linewidth=0.8, linestyle=":")
    axes.plot(
        at[0], at[1], marker="D", markersize=6, markerfacecolor="white", markeredgecolor=BLACK, zorder=3
    )
    axes.set(xlim=(0, chart.longest[0]), ylim=(0, chart.longest[1]), xlabel=f"Total points towards {first}")
    axes.set_ylabel(f"Total towards {other}")
    _grid(axes, chart, i)


def _draw_curve(axes: Axes, chart: PointChart, i: int) -> None:
    first = end_words(chart.hand.ends[0])
    x = np.linspace(0, chart.longest[0], 401)
    axes.plot(x, 100 * chart.chance(x[:, None])[:, i], color=BLACK, linewidth=1.4)
    at = chart.example.totals[0]
    axes.plot(at, 100 * chart.example.chances[i], marker="D", markerfacecolor="white", markeredgecolor=BLACK)
    axes.set(xlim=(0, chart.longest[0]), ylim=(0, 100), xlabel=f"Total points towards {first}")
    axes.set_yticks(range(0, 101, 10))
    axes.set_ylabel("Chance (%)")
    _grid(axes, chart, i)


def _grid(axes: Axes, chart: PointChart, i: int) -> None:
    axes.minorticks_on()
    axes.grid(which="major", color=GREY, linewidth=0.3, alpha=0.6)
    axes.grid(which="minor", color=GREY, linewidth=0.2, alpha=0.3)
    axes.set_title(
        f"Chance of {end_words(chart.hand.ends[0])} by session {chart.horizons[i]} (lozenge: the example, "
        f"{100 * chart.example.chances[i]:.0f}%)",
        loc="left",
        fontsize=_PLAIN,
    )
