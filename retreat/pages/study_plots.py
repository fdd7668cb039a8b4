"""Incidence curves of a cohort by kind, told apart without colour."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from retreat.pages.paper import Form, paper, picture, title_lines, titled
from retreat.pages.plots import BLACK, BLUE, GREY

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

# colour (Okabe and Ito 2008, safe for colour-blind eyes), line, marker of each state
_STATES: dict[str, tuple[str, Any, str]] = {
    "relieved": (BLACK, "-", "o"),
    "stopped": ("#D55E00", "-.", "^"),
    "in_treatment": (BLUE, "--", "s"),
}
# beside each other at a session, so that no interval hides another
_ASIDE = {"relieved": 0.0, "stopped": -0.09, "in_treatment": 0.09}
_PANELS_A_LINE = 3
_TITLE_LINE = 0.17  # inches


def incidence_figure(incidence: pd.DataFrame, *, title: str, form: Form = "svg") -> bytes:
    """Share relieved, stopped and in treatment after each session: one panel a kind, intervals as bars.

    Parameters
    ----------
    incidence : DataFrame
        Columns kind, state, session, incidence, low, high, such as that table of a shared cohort; what is hidden is
        not drawn, and a kind of which all is hidden is named.
    title : str
        Title above the panels.
    form : {"svg", "png"}
        Form of the picture.

    Returns
    -------
    bytes
        The same input gives the same bytes.

    Raises
    ------
    ValueError
        If there is nothing to draw.
    """
    shown = incidence.dropna(subset=["incidence"])
    if shown.empty:
        raise ValueError("no incidence to draw")
    from matplotlib.figure import Figure

    kinds, missing = list(dict.fromkeys(shown["kind"])), unshown(incidence)
    words = f"{title}\nNot shown, too few: {', '.join(missing)}." if missing else title
    across = min(len(kinds), _PANELS_A_LINE)
    down = -(-len(kinds) // across)
    width = max(4.6, 3.3 * across)
    with paper():
        height = 0.6 + 2.8 * down + _TITLE_LINE * title_lines(width, words)
        figure = Figure(figsize=(width, height), layout="constrained")
        grid = figure.subplots(down, across, squeeze=False, sharey=True).ravel()
        for axes, kind in zip(grid, kinds, strict=False):
            _panel(axes, shown[shown["kind"] == kind])
            axes.set_title(str(kind).replace("_", " ").capitalize(), loc="left", fontsize=10)
        for axes in grid[len(kinds) :]:
            axes.set_visible(False)
        for axes in grid[::across]:
            axes.set_ylabel("Share of eyes")
        for place, axes in enumerate(grid[: len(kinds)]):
            if place + across >= len(kinds):
                axes.set_xlabel("After session")
        titled(figure, words)
        figure.legend(*grid[0].get_legend_handles_labels(), loc="outside lower left", frameon=False, ncols=3)
        return picture(figure, form)


def unshown(incidence: pd.DataFrame) -> tuple[str, ...]:
    """Kinds of which nothing may be drawn, since every share of theirs is hidden.

    Parameters
    ----------
    incidence : DataFrame
        As for :func:`incidence_figure`.
    """
    told = set(incidence.dropna(subset=["incidence"])["kind"])
    return tuple(str(k).replace("_", " ") for k in dict.fromkeys(incidence["kind"]) if k not in told)


def _panel(axes: Axes, own: pd.DataFrame) -> None:
    sessions = own["session"].astype(int)
    first, last = sessions.min(), sessions.max()  # a session of which nothing is told has no place
    for state, (colour, line, marker) in _STATES.items():
        here = own[own["state"] == state]
        x = here["session"].to_numpy(dtype=float) + _ASIDE[state]
        middle, low, high = (here[name].to_numpy(dtype=float) for name in ("incidence", "low", "high"))
        told = ~(np.isnan(low) | np.isnan(high))
        axes.vlines(x[told], low[told], high[told], color=colour, linewidth=1.4)
        axes.plot(
            x,
            middle,
            color=colour,
            linestyle=line,
            marker=marker,
            markersize=4.5,
            markerfacecolor="white",
            linewidth=1.4,
            label=state.replace("_", " ").capitalize(),
        )
    axes.set(xlim=(first - 0.4, last + 0.4), ylim=(0, 1), xticks=range(first, last + 1))
    axes.grid(axis="y", color=GREY, alpha=0.25, linewidth=0.6)
    axes.spines[["top", "right"]].set_visible(False)
