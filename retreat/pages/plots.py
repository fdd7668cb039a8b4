"""Drawings for reports, made by matplotlib from numbers that others computed; told apart without colour."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, TypedDict

import numpy as np
from numpy.typing import ArrayLike

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BLACK, BLUE, GREY = "#000000", "#0072B2", "#595959"
# colour, line, marker, hatch of the band: each differs, so that grey prints and colour-blind eyes lose nothing
_STYLES = (
    (BLACK, "-", "o", ""),
    (BLUE, "--", "s", "////"),
    (GREY, "-.", "^", "...."),
    (BLACK, (0, (1, 1.5)), "D", "xxxx"),
)
_N_BINS = 50
_MARKER_AREAS = (30.0, 130.0)


class Curve(TypedDict):
    """Smooth calibration curve with its band; arrays of one length, all in [0, 1]."""

    label: str
    predicted: ArrayLike
    observed: ArrayLike
    low: ArrayLike
    high: ArrayLike


class Groups(TypedDict):
    """Grouped calibration with intervals; `n` cases in each group."""

    label: str
    predicted: ArrayLike
    observed: ArrayLike
    low: ArrayLike
    high: ArrayLike
    n: ArrayLike


def calibration_figure(
    curves: Sequence[Curve],
    *,
    groups: Sequence[Groups] = (),
    density: ArrayLike,
    n: int,
    n_events: int,
    title: str,
) -> str:
    """Calibration plot: curves with bands, grouped points, the line of agreement and where predictions lie.

    Parameters
    ----------
    curves : sequence of Curve
        At most four.
    groups : sequence of Groups
        At most four, each in the style of the curve at the same place; a larger group has a larger marker.
    density : array_like of float, shape (cases,)
        Predictions, drawn as a strip of counts below.
    n, n_events : int
        Cases and events behind the figure, written into it.
    title : str
        Title above the figure.

    Returns
    -------
    str
        SVG as a data URI. The same input gives the same bytes.

    Raises
    ------
    ValueError
        If there are more than four curves or sets of groups.
    """
    if max(len(curves), len(groups)) > len(_STYLES):
        raise ValueError(f"at most {len(_STYLES)} curves or sets of groups can be told apart")
    # heavy: only a report with pictures pays for it
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context({"font.size": 12, "svg.hashsalt": "retreat", "hatch.linewidth": 0.6}):
        # height that leaves the upper drawing about square, the legend below it
        height = 7.3 + 0.27 * (1 + len(curves) + len(groups))
        figure = Figure(figsize=(6.4, height), layout="constrained")
        main, strip = figure.subplots(2, 1, sharex=True, height_ratios=(7, 1))
        main.plot([0, 1], [0, 1], color=GREY, linewidth=1, label="Perfect agreement")
        for curve, style in zip(curves, _STYLES, strict=False):
            _draw_curve(main, curve, style)
        for points, style in zip(groups, _STYLES, strict=False):
            _draw_groups(main, points, style)
        main.set(xlim=(0, 1), ylim=(0, 1), ylabel="Observed share")
        main.set_title(f"{title}\nn = {n}, events = {n_events}", loc="left")
        strip.hist(np.asarray(density, dtype=float), bins=_N_BINS, range=(0, 1), color=BLACK)
        strip.set(xlabel="Predicted probability", yticks=[])
        strip.set_ylabel("Cases", rotation=0, ha="right", va="center")
        for axes in (main, strip):
            axes.spines[["top", "right"]].set_visible(False)
        figure.legend(loc="outside lower left", frameon=False)
        return as_uri(figure)


def instability_figure(predicted: ArrayLike, low: ArrayLike, high: ArrayLike, *, title: str) -> str:
    """Instability plot: for each case, the spread of the refitted models' predictions over the whole model's.

    Parameters
    ----------
    predicted, low, high : array_like of float, shape (cases,)
        Prediction of the whole model, and lower and upper percentile of the refitted models'.
    title : str
        Title above the figure.

    Returns
    -------
    str
        SVG as a data URI. The same input gives the same bytes.
    """
    # heavy: only a report with pictures pays for it
    import matplotlib as mpl
    from matplotlib.figure import Figure

    x = np.asarray(predicted, dtype=float)
    with mpl.rc_context({"font.size": 12, "svg.hashsalt": "retreat"}):
        figure = Figure(figsize=(6.4, 7.0), layout="constrained")
        axes = figure.subplots()
        axes.vlines(
            x,
            np.asarray(low),
            np.asarray(high),
            color=BLUE,
            linewidth=0.6,
            alpha=0.4,
            label="One case, middle 95%",
        )
        axes.plot([0, 1], [0, 1], color=BLACK, linewidth=1.5, label="No instability")
        axes.set(
            xlim=(0, 1),
            ylim=(0, 1),
            xlabel="Predicted by the whole model",
            ylabel="Predicted by refitted models",
        )
        axes.set_title(f"{title}\nn = {len(x)}", loc="left", fontsize=11)
        axes.spines[["top", "right"]].set_visible(False)
        figure.legend(loc="outside lower left", frameon=False)
        return as_uri(figure)


def as_uri(figure: Figure) -> str:
    """The figure as SVG in a data URI, without a date: the same figure gives the same bytes."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None})
    return "data:image/svg+xml;base64," + base64.b64encode(buffer.getvalue()).decode()


def _draw_curve(axes: Axes, curve: Curve, style: tuple[str, object, str, str]) -> None:
    colour, line, _, hatch = style
    low, high = np.asarray(curve["low"], dtype=float), np.asarray(curve["high"], dtype=float)
    face = (*_rgb(colour), 0.15) if not hatch else "none"
    axes.fill_between(
        np.asarray(curve["predicted"], dtype=float),
        low,
        high,
        facecolor=face,
        edgecolor=colour,
        hatch=hatch,
        linewidth=0,
    )
    axes.plot(
        np.asarray(curve["predicted"], dtype=float),
        np.asarray(curve["observed"], dtype=float),
        color=colour,
        linestyle=line,
        linewidth=2,
        label=curve["label"],
    )


def _draw_groups(axes: Axes, points: Groups, style: tuple[str, object, str, str]) -> None:
    colour, _, marker, _ = style
    predicted, observed = (
        np.asarray(points["predicted"], dtype=float),
        np.asarray(points["observed"], dtype=float),
    )
    size = np.asarray(points["n"], dtype=float)
    least, most = _MARKER_AREAS
    areas = least + (most - least) * size / max(size.max(initial=1.0), 1.0)
    axes.vlines(predicted, np.asarray(points["low"]), np.asarray(points["high"]), color=colour, linewidth=1.2)
    axes.scatter(
        predicted,
        observed,
        s=areas,
        marker=marker,
        facecolor="white",
        edgecolor=colour,
        linewidth=1.5,
        zorder=3,
        label=points["label"],
    )


def _rgb(colour: str) -> tuple[float, ...]:
    return tuple(int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
