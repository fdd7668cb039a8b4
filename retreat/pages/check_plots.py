"""Drawings of the checks of a fit: incidence over replicated clinics, and where courses fall in what was foreseen."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from retreat.pages.plots import BLACK, BLUE, GREY

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def replicated_figure(names: Sequence[str], observed: ArrayLike, replicated: ArrayLike) -> str:
    """Observed incidence of each end over that of replicated clinics, one drawing an end, one below the other.

    Parameters
    ----------
    names : sequence of str
        The ends.
    observed : array_like of float, shape (ends, sessions)
        Incidence after each session, in [0, 1].
    replicated : array_like of float, shape (clinics, ends, sessions)
        The same in replicated clinics; NaN where not told.

    Returns
    -------
    str
        SVG. The same input gives the same bytes.
    """
    # heavy: only a report with pictures pays for it
    import matplotlib as mpl
    from matplotlib.figure import Figure

    seen, foreseen = np.asarray(observed, dtype=float), np.asarray(replicated, dtype=float)
    sessions = np.arange(seen.shape[1] + 1)
    with mpl.rc_context({"font.size": 12, "svg.hashsalt": "retreat", "hatch.linewidth": 0.6}):
        figure = Figure(figsize=(6.4, 0.9 + 2.8 * len(names)), layout="constrained")
        drawings = figure.subplots(len(names), 1, sharex=True, squeeze=False)[:, 0]
        for j, (axes, name) in enumerate(zip(drawings, names, strict=True)):
            for r, curve in enumerate(foreseen[:, j]):
                label = "Replicated clinics" if r == j == 0 else None
                axes.step(
                    sessions, [0.0, *curve], where="post", color=BLUE, linewidth=0.7, alpha=0.45, label=label
                )
            label = "This clinic" if j == 0 else None
            axes.step(sessions, [0.0, *seen[j]], where="post", color=BLACK, linewidth=2.2)
            axes.plot(
                sessions[1:],
                seen[j],
                "o",
                color=BLACK,
                markerfacecolor="white",
                markersize=6,
                markeredgewidth=1.8,
                label=label,
            )
            top = max(float(np.nanmax(foreseen[:, j], initial=0.0)), float(np.nanmax(seen[j], initial=0.0)))
            axes.set(xlim=(0, sessions[-1] + 0.3), ylim=(0, min(1.02, 1.1 * top + 0.01)), ylabel="Share")
            axes.set_title(name.capitalize(), loc="left", fontsize=12)
            axes.spines[["top", "right"]].set_visible(False)
        drawings[-1].set(xlabel="Sessions", xticks=sessions)
        figure.legend(loc="outside lower left", frameon=False, ncols=2)
        return _svg(figure)


def transform_figure(edges: ArrayLike, observed: ArrayLike) -> str:
    """Histogram of where courses fall in their foreseen distributions, with the line of even spread.

    Parameters
    ----------
    edges : array_like of float, shape (bins + 1,)
        From 0 to 1.
    observed : array_like of float, shape (bins,)
        Shares of the cases.

    Returns
    -------
    str
        SVG. The same input gives the same bytes.
    """
    # heavy: only a report with pictures pays for it
    import matplotlib as mpl
    from matplotlib.figure import Figure

    at, share = np.asarray(edges, dtype=float), np.asarray(observed, dtype=float)
    with mpl.rc_context({"font.size": 12, "svg.hashsalt": "retreat", "hatch.linewidth": 0.6}):
        figure = Figure(figsize=(6.4, 3.6), layout="constrained")
        axes = figure.subplots()
        axes.bar(
            at[:-1],
            share,
            width=np.diff(at),
            align="edge",
            facecolor="none",
            edgecolor=BLUE,
            hatch="//",
            label="Cases",
        )
        even = 1.0 / len(share)
        axes.plot([0, 1], [even, even], color=BLACK, linewidth=2, label="Even, as foreseen")
        axes.set(
            xlim=(0, 1),
            ylim=(0, max(2 * even, 1.15 * float(share.max()))),
            xlabel="Shorter than foreseen  \u2190  place of the course  \u2192  longer",
            ylabel="Share of the cases",
        )
        axes.tick_params(color=GREY)
        axes.spines[["top", "right"]].set_visible(False)
        figure.legend(loc="outside lower left", frameon=False, ncols=2)
        return _svg(figure)


def _svg(figure: Figure) -> str:
    """The figure without a date: the same figure gives the same bytes."""
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None})
    return buffer.getvalue()
