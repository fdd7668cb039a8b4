"""Drawing of forecasts during a course: a measure with its interval after each number of sessions had."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from retreat.pages.plots import BLACK, BLUE, GREY, as_uri

# colour, line and marker of each series
_STYLES = ((BLACK, "-", "o"), (BLUE, "--", "s"))
_APART = 0.16


@dataclass(frozen=True)
class Series:
    """One measure over landmarks: values with intervals, one a landmark, NaN where there is none."""

    label: str
    done: Sequence[int]
    value: Sequence[float]
    low: Sequence[float]
    high: Sequence[float]


def landmark_figure(
    panels: Sequence[tuple[str, float, Sequence[Series]]], *, title: str, widest: float = 2.5
) -> str:
    """Panels side by side, each a measure over the sessions had with a line at its ideal.

    Parameters
    ----------
    panels : sequence of (str, float, sequence of Series)
        Name of the measure, its ideal value and one or two series.
    title : str
        Title above the figure.
    widest : float
        Distance from the ideal beyond which the axis is cut: the interval of a handful of eyes would hide the others.

    Returns
    -------
    str
        SVG as a data URI. The same input gives the same bytes.
    """
    # heavy: only a report with pictures pays for it
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context({"font.size": 12, "svg.hashsalt": "retreat"}):
        figure = Figure(figsize=(6.4, 4.2), layout="constrained")
        grid = figure.subplots(1, len(panels), squeeze=False)[0]
        for axes, (name, ideal, series) in zip(grid, panels, strict=True):
            axes.axhline(ideal, color=GREY, linewidth=0.8)
            for i, (one, (colour, line, marker)) in enumerate(zip(series, _STYLES, strict=False)):
                x = np.asarray(one.done, dtype=float) + _APART * (i - (len(series) - 1) / 2)
                low, high = (np.asarray(edge, dtype=float) for edge in (one.low, one.high))
                axes.vlines(x, low, high, color=colour, linestyle=line, linewidth=1.6)
                axes.plot(
                    x,
                    np.asarray(one.value, dtype=float),
                    marker,
                    color=colour,
                    markerfacecolor="white",
                    markersize=7,
                    label=one.label,
                )
            at = sorted({done for one in series for done in one.done})
            bottom, top = axes.get_ylim()
            axes.set(
                title=name,
                xlabel="Sessions had",
                xlim=(min(at) - 0.5, max(at) + 0.5),
                ylim=(max(bottom, ideal - widest), min(top, ideal + widest)),
            )
            axes.set_xticks(at)
            axes.title.set_fontsize(11)
            axes.spines[["top", "right"]].set_visible(False)
        figure.suptitle(title, x=0.02, ha="left", fontsize=11)
        figure.legend(*grid[0].get_legend_handles_labels(), loc="outside lower left", frameon=False)
        return as_uri(figure)
