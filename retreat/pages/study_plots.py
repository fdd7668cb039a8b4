"""Incidence curves of a cohort by kind, told apart without colour."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from retreat.pages.plots import BLACK, BLUE, GREY

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

Form = Literal["svg", "png"]

# colour (Okabe and Ito 2008, safe for colour-blind eyes), line, marker of each state
_STATES: dict[str, tuple[str, Any, str]] = {
    "relieved": (BLACK, "-", "o"),
    "stopped": ("#D55E00", "-.", "^"),
    "in_treatment": (BLUE, "--", "s"),
}
# beside each other at a session, so that no interval hides another
_ASIDE = {"relieved": 0.0, "stopped": -0.09, "in_treatment": 0.09}
_PANELS_A_LINE = 3
_DOTS_PER_INCH = 150


def incidence_figure(incidence: pd.DataFrame, *, title: str, form: Form = "svg") -> bytes:
    """Share relieved, stopped and in treatment after each session: one panel a kind, intervals as bars.

    Parameters
    ----------
    incidence : DataFrame
        Columns kind, state, session, incidence, low, high, such as that table of a shared cohort; what is hidden is
        not drawn.
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
    import matplotlib as mpl  # heavy: only a picture pays for it
    from matplotlib.figure import Figure

    kinds, last = list(dict.fromkeys(shown["kind"])), int(shown["session"].max())
    across = min(len(kinds), _PANELS_A_LINE)
    down = -(-len(kinds) // across)
    with mpl.rc_context({"font.size": 9, "svg.hashsalt": "retreat"}):
        figure = Figure(figsize=(max(4.6, 3.3 * across), 0.8 + 2.8 * down), layout="constrained")
        grid = figure.subplots(down, across, squeeze=False, sharey=True).ravel()
        for axes, kind in zip(grid, kinds, strict=False):
            _panel(axes, shown[shown["kind"] == kind], last)
            axes.set_title(str(kind).replace("_", " ").capitalize(), loc="left", fontsize=10)
        for axes in grid[len(kinds) :]:
            axes.set_visible(False)
        for axes in grid[::across]:
            axes.set_ylabel("Share of eyes")
        for place, axes in enumerate(grid[: len(kinds)]):
            if place + across >= len(kinds):
                axes.set_xlabel("After session")
        figure.suptitle(title, x=0.01, ha="left", fontsize=10)
        figure.legend(*grid[0].get_legend_handles_labels(), loc="outside lower left", frameon=False, ncols=3)
        stream = io.BytesIO()
        metadata = {"Date": None} if form == "svg" else {"Software": None}
        figure.savefig(stream, format=form, dpi=_DOTS_PER_INCH, metadata=metadata)
        return stream.getvalue()


def _panel(axes: Axes, own: pd.DataFrame, last: int) -> None:
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
    axes.set(xlim=(0.6, last + 0.4), ylim=(0, 1), xticks=range(1, last + 1))
    axes.grid(axis="y", color=GREY, alpha=0.25, linewidth=0.6)
    axes.spines[["top", "right"]].set_visible(False)
