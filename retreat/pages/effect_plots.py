"""Drawings of effects: forest plots of ratios and of average effects, curves; told apart without colour."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import fill
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat.pages.feature_names import in_short_names, with_unit
from retreat.pages.paper import Form, paper, picture, title_lines, titled
from retreat.pages.plots import BLACK, BLUE, GREY
from retreat.pages.study_tables import number

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FloatArray = NDArray[np.float64]
# name, rows, their columns, decimals of the numbers beside it
Panel = tuple[str, "pd.DataFrame", tuple[str, str, str], int]


# colour (Okabe and Ito 2008, safe for colour-blind eyes), line, marker, hatch of the band
_STYLES: tuple[tuple[str, Any, str, str], ...] = (
    (BLACK, "-", "o", ""),
    (BLUE, "--", "s", "////"),
    ("#D55E00", "-.", "^", "...."),
)
_WIDTH, _ROW, _TITLE_LINE = 10.0, 0.34, 0.17  # inches
_PANELS_A_LINE = 3
# ticks of a log axis, from few to many
_LADDERS = (
    (1.0,),
    (1.0, 3.0),
    (1.0, 2.0, 5.0),
    (1.0, 1.5, 2.0, 3.0, 5.0, 7.0),
    (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0),
)
_LEAST_TICKS = 4
_SHADED = "Shaded: effects stated to be too small to matter."
_DIFFERENCE = ("difference", "low", "high")
_MEASURES = {"incidence": "{end} by session {session}", "hazard": "{end} at the next session"}


def forest_figure(
    ratios: pd.DataFrame,
    *,
    title: str,
    scale: str = "odds ratio",
    region: float | None = None,
    cautions: Sequence[str] = (),
    form: Form = "svg",
) -> bytes:
    """Forest plot of ratios: one panel an end, one row a comparison, its numbers beside it.

    Parameters
    ----------
    ratios : DataFrame
        Columns end, feature, value, against, held, ratio, low, high, such as `Effects.ratios`.
    title : str
        Title above the panels.
    scale : str
        What the ratio is of.
    region : float, above 0, optional
        Half width on the log scale of the region of practical equivalence, shaded.
    cautions : sequence of str
        Lines above everything else.
    form : {"svg", "png"}
        Form of the picture.

    Returns
    -------
    bytes
        The same input gives the same bytes.

    Raises
    ------
    ValueError
        If there are no rows, or more than three ends.
    """
    rows = list(dict.fromkeys(_labels(ratios)))
    panels = []
    for end in dict.fromkeys(ratios["end"]):
        own = ratios[ratios["end"] == end]
        panels.append((end.capitalize(), own, ("ratio", "low", "high"), 2))
    edges = None if region is None else (float(np.exp(-region)), float(np.exp(region)))
    with paper():
        words = title if region is None else f"{title}\n{_SHADED}"
        figure = _forest(panels, rows, none=1.0, region=edges, title=words, cautions=cautions)
        for axes in figure.axes:
            axes.set_xlabel(f"{scale.capitalize()}, log scale")
        return picture(figure, form)


def average_figure(
    averages: pd.DataFrame, *, title: str, cautions: Sequence[str] = (), form: Form = "svg"
) -> bytes:
    """Forest plot of average effects: one panel a measure, one row a comparison, its numbers beside it.

    Differences of chances are drawn in percentage points, as the table beside them tells them.

    Parameters
    ----------
    averages : DataFrame
        Columns measure, end, session, feature, value, against, held, difference, low, high, such as
        `Effects.averages`; with a column region it is shaded.
    title, cautions, form
        As for :func:`forest_figure`.

    Returns
    -------
    bytes
        The same input gives the same bytes.

    Raises
    ------
    ValueError
        If there are no rows, or more than three measures.
    """
    rows = list(dict.fromkeys(_labels(averages)))
    panels, regions, units = [], [], []
    for (measure, end, session), own in averages.groupby(["measure", "end", "session"], sort=False):
        words = _MEASURES.get(str(measure), "mean sessions, at most {session}")
        name = words.format(end=end, session=session).capitalize()
        of_chance = measure != "sessions"
        by = 100.0 if of_chance else 1.0
        scaled = own.assign(**by * own[list(_DIFFERENCE)])
        panels.append((name, scaled, _DIFFERENCE, 1 if of_chance else 2))
        regions.append(by * float(own["region"].iloc[0]) if "region" in own else None)
        units.append(f"Difference, {'percentage points' if of_chance else 'sessions'}")
    with paper():
        words = title if None in regions else f"{title}\n{_SHADED}"
        figure = _forest(panels, rows, none=0.0, region=None, title=words, cautions=cautions)
        for axes, half, unit in zip(figure.axes, regions, units, strict=True):
            axes.set_xlabel(unit)
            if half is not None:
                _shade(axes, -half, half)
        return picture(figure, form)


def curve_figure(
    curves: pd.DataFrame,
    *,
    title: str,
    scale: str = "odds ratio",
    cautions: Sequence[str] = (),
    form: Form = "svg",
) -> bytes:
    """Ratios along curves with their pointwise bands: one panel a curve, one line an end.

    Parameters
    ----------
    curves : DataFrame
        Columns end, curve, over, at, ratio, low, high, such as `Effects.curves`.
    title, scale, cautions, form
        As for :func:`forest_figure`.

    Returns
    -------
    bytes
        The same input gives the same bytes.

    Raises
    ------
    ValueError
        If there are no rows, or more than three ends.
    """
    names, ends = list(dict.fromkeys(curves["curve"])), list(dict.fromkeys(curves["end"]))
    _refuse(len(names), len(ends))
    from matplotlib.figure import Figure

    with paper():
        across = min(len(names), _PANELS_A_LINE)
        down = -(-len(names) // across)
        figure = Figure(figsize=(max(4.6, 3.6 * across), 0.8 + 3.4 * down), layout="constrained")
        grid = figure.subplots(down, across, squeeze=False).ravel()
        for axes, name in zip(grid, names, strict=False):
            here = curves[curves["curve"] == name]
            for end, style in zip(ends, _STYLES, strict=False):
                _line(axes, here[here["end"] == end], style, str(end))
            axes.axhline(1.0, color=GREY, linewidth=1)
            axes.set_yscale("log")
            _log_ticks(axes.yaxis, float(here["low"].min()), float(here["high"].max()))
            axes.set_title(fill(in_short_names(str(name)), 34), loc="left", fontsize=9)
            axes.set_xlabel(with_unit(str(here["over"].iloc[0])))
            axes.spines[["top", "right"]].set_visible(False)
        for axes in grid[len(names) :]:
            axes.set_visible(False)
        for axes in grid[::across]:
            axes.set_ylabel(f"{scale.capitalize()}, log scale")
        titled(figure, title, cautions)
        figure.legend(*grid[0].get_legend_handles_labels(), loc="outside lower left", frameon=False, ncols=3)
        return picture(figure, form)


def _forest(
    panels: Sequence[Panel],
    rows: Sequence[str],
    *,
    none: float,
    region: tuple[float, float] | None,
    title: str,
    cautions: Sequence[str],
) -> Figure:
    _refuse(len(rows), len(panels))
    from matplotlib.figure import Figure

    height = 1.3 + _ROW * len(rows) + _TITLE_LINE * title_lines(_WIDTH, title, cautions)
    figure = Figure(figsize=(_WIDTH, height), layout="constrained")
    grid = figure.subplots(1, len(panels), sharey=True, squeeze=False)[0]
    place = {label: len(rows) - 1 - i for i, label in enumerate(rows)}
    for axes, (name, own, columns, decimals), style in zip(grid, panels, _STYLES, strict=False):
        colour, _, marker, _ = style
        y = np.array([place[label] for label in _labels(own)], dtype=float)
        middle, left, right = (own[column].to_numpy(dtype=float) for column in columns)
        axes.axvline(none, color=GREY, linewidth=1)
        axes.hlines(y, left, right, color=colour, linewidth=1.6)
        axes.plot(middle, y, marker, color=colour, markerfacecolor="white", markersize=6, markeredgewidth=1.6)
        if none == 1.0:
            axes.set_xscale("log")
            _log_ticks(axes.xaxis, left.min(), right.max())
        if region is not None:
            _shade(axes, *region)
        _numbers(axes, own, columns, y, decimals)
        axes.set_title(name, loc="left", fontsize=10)
        axes.set_ylim(-0.6, len(rows) - 0.4)
        axes.spines[["top", "right", "left"]].set_visible(False)
        axes.tick_params(axis="y", length=0)
    grid[0].set_yticks(list(place.values()), list(place))
    titled(figure, title, cautions)
    return figure


def _numbers(
    axes: Axes, own: pd.DataFrame, columns: tuple[str, str, str], y: FloatArray, decimals: int
) -> None:
    """Numbers in words to the right of the panel, as the table tells them."""
    for at, *told in zip(y, *(own[column] for column in columns), strict=True):
        middle, low, high = (number(value, decimals) for value in told)
        axes.annotate(
            f"{middle} ({low} to {high})",
            (1.02, at),
            xycoords=("axes fraction", "data"),
            va="center",
            fontsize=8,
            annotation_clip=False,
        )


def _line(axes: Axes, own: pd.DataFrame, style: tuple[str, Any, str, str], label: str) -> None:
    colour, line, marker, hatch = style
    x, ratio, low, high = (own[name].to_numpy(dtype=float) for name in ("at", "ratio", "low", "high"))
    if hatch:
        band: dict[str, Any] = {"facecolor": "none", "edgecolor": colour, "hatch": hatch, "alpha": 0.45}
    else:
        band = {"facecolor": colour, "alpha": 0.15}
    axes.fill_between(x, low, high, linewidth=0, **band)
    axes.plot(
        x,
        ratio,
        color=colour,
        linestyle=line,
        linewidth=2,
        marker=marker,
        markevery=max(1, len(x) // 5),
        markerfacecolor="white",
        label=label.capitalize(),
    )


def _log_ticks(axis: Any, low: float, high: float) -> None:
    """Ticks at plain numbers, as many as fit."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    for ladder in _LADDERS:
        steps = [10.0**k * x for k in range(-6, 7) for x in ladder]
        inside = [x for x in steps if 0.95 * low <= x <= 1.05 * high]
        if len(inside) >= _LEAST_TICKS:
            break
    axis.set_major_locator(FixedLocator(sorted({*inside, 1.0})))
    axis.set_minor_locator(NullLocator())
    axis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:g}"))


def _shade(axes: Axes, low: float, high: float) -> None:
    axes.axvspan(
        low, high, facecolor="none", edgecolor=GREY, hatch="\\\\\\\\", linewidth=0, alpha=0.35, zorder=0
    )


def _labels(frame: pd.DataFrame) -> list[str]:
    texts = []
    for feature, value, against, held in frame[["feature", "value", "against", "held"]].to_numpy().tolist():
        text = f"{feature}: {value} against {against}" + (f"\n({held})" if held else "")
        texts.append(text.replace("_", " "))  # as the tables beside it
    return texts


def _refuse(n_rows: int, n_styles: int) -> None:
    if not n_rows:
        raise ValueError("no effects to draw")
    if n_styles > len(_STYLES):
        raise ValueError(f"{n_styles} ends or measures: at most {len(_STYLES)} can be told apart")
