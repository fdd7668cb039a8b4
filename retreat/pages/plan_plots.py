"""Drawings of a plan: slots by week against slots open, and eyes by sessions done; told apart without colour."""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from retreat.pages.plots import BLACK, BLUE, GREY

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

_SETTINGS: Any = {"font.size": 11, "svg.hashsalt": "retreat", "hatch.linewidth": 0.6}


def weeks_figure(weeks: pd.DataFrame) -> str:
    """Slots needed by week: middle, 80% and 95% range, against those open.

    Parameters
    ----------
    weeks : DataFrame
        From `Plan.table`.

    Returns
    -------
    str
        SVG. The same input gives the same bytes.
    """
    # heavy: only a page with pictures pays for it
    import matplotlib as mpl
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator

    x = weeks["week"].to_numpy()
    with mpl.rc_context(_SETTINGS):
        figure = Figure(figsize=(5.0, 2.9), layout="constrained")
        axes = figure.subplots()
        axes.vlines(x, weeks["low95"], weeks["high95"], color=BLUE, linewidth=1.2, label="95% range")
        axes.vlines(x, weeks["low80"], weeks["high80"], color=BLUE, linewidth=4.5, label="80% range")
        axes.plot(x, weeks["middle"], "o", color=BLACK, markerfacecolor="white", markersize=5, label="middle")
        if "open" in weeks:
            axes.step(x, weeks["open"], where="mid", color=GREY, linestyle="--", linewidth=1.6, label="open")
        axes.set(xlabel="Week", ylabel="Slots", ylim=(0, None), xlim=(x[0] - 0.6, x[-1] + 0.6))
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        axes.yaxis.set_major_locator(MaxNLocator(integer=True))
        axes.spines[["top", "right"]].set_visible(False)
        figure.legend(loc="outside upper left", frameon=False, ncols=4, columnspacing=1.0, handlelength=1.4)
        return _svg(figure)


def eyes_figure(eyes: Mapping[int, int]) -> str:
    """Eyes in treatment by sessions done, as bars with their numbers.

    Parameters
    ----------
    eyes : mapping of int to int
        At least one.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(_SETTINGS):
        figure = Figure(figsize=(4.2, 1.5), layout="constrained")
        axes = figure.subplots()
        bars = axes.bar(
            np.arange(len(eyes)), list(eyes.values()), color="white", edgecolor=BLUE, hatch="////"
        )
        axes.bar_label(bars, padding=1)
        axes.set_xticks(np.arange(len(eyes)), [str(done) for done in eyes])
        axes.set(xlabel="Sessions done", yticks=[], ylim=(0, 1.3 * max(eyes.values())))
        axes.spines[["top", "right", "left"]].set_visible(False)
        return _svg(figure)


def _svg(figure: Figure) -> str:
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None})
    return buffer.getvalue()
