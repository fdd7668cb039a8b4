"""Ranges side by side: shares of described eyes under a prior and after cases, told apart without colour."""

from __future__ import annotations

import io
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from retreat.pages.plots import BLACK, BLUE, GREY

# colour, line and marker of each series
_STYLES = ((BLACK, "-", "o"), (BLUE, "--", "s"))
_APART = 0.28
_ROW_INCHES = 0.36


def range_figure(
    groups: Sequence[str],
    rows: Sequence[str],
    series: Sequence[tuple[str, ArrayLike, ArrayLike, ArrayLike]],
    *,
    axis: str,
) -> str:
    """Points with ranges, in groups of rows, up to two series one below the other.

    Parameters
    ----------
    groups : sequence of str
        Headings, from the top.
    rows : sequence of str
        Names of the rows of each group.
    series : sequence of (str, array_like, array_like, array_like)
        One or two: label, point, low and high, the last three of shape (groups, rows), from 0 to 100.
    axis : str
        What the horizontal axis shows.

    Returns
    -------
    str
        SVG. The same input gives the same bytes.

    Raises
    ------
    ValueError
        If there are more than two series.
    """
    if len(series) > len(_STYLES):
        raise ValueError(f"at most {len(_STYLES)} series can be told apart")
    # heavy: only a report with pictures pays for it
    import matplotlib as mpl
    from matplotlib.figure import Figure

    per_group = len(rows) + 1
    n_lines = len(groups) * per_group
    with mpl.rc_context({"font.size": 12, "svg.hashsalt": "retreat"}):
        figure = Figure(figsize=(6.4, 1.4 + _ROW_INCHES * n_lines), layout="constrained")
        axes = figure.subplots()
        places = np.array([[g * per_group + 1 + r for r in range(len(rows))] for g in range(len(groups))])
        for s, ((label, point, low, high), (colour, line, marker)) in enumerate(
            zip(series, _STYLES, strict=False)
        ):
            y = (places + _APART * (s - (len(series) - 1) / 2)).ravel()
            axes.hlines(
                y, np.ravel(low), np.ravel(high), color=colour, linestyle=line, linewidth=1.8, label=label
            )
            axes.plot(np.ravel(point), y, marker, color=colour, markerfacecolor="white", markersize=7)
        for g, group in enumerate(groups):
            axes.text(0.0, g * per_group, group, fontweight="bold", fontsize=11, va="center")
            if g:
                axes.axhline(g * per_group - 0.55, color=GREY, linewidth=0.6)
        axes.set_yticks(places.ravel(), list(rows) * len(groups))
        axes.set(xlim=(0, 100), ylim=(n_lines - 0.4, -0.6), xlabel=axis)
        axes.tick_params(axis="y", length=0)
        axes.spines[["top", "right", "left"]].set_visible(False)
        figure.legend(loc="outside lower left", frameon=False)
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg", metadata={"Date": None})
    return buffer.getvalue()
