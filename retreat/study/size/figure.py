"""Curves over the size of a study; told apart by marker and line as well as by colour."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Literal

import numpy as np

from retreat.study.size.record import Estimate, StudySize

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# colour (Okabe and Ito 2008, safe for colour-blind eyes), marker, line
_STYLES = (("#000000", "o", "-"), ("#0072B2", "s", "--"), ("#D55E00", "^", "-."))
_GREY = "#595959"
_DOTS_PER_INCH = 150


def size_figure(found: StudySize, kind: Literal["svg", "png"] = "svg") -> bytes:
    """Slope, its spread, the interval of the typical eye and power over the size of the study.

    Bars are 95% Monte-Carlo intervals; grey lines are the targets.

    Parameters
    ----------
    found : StudySize
        From :func:`simulate_size`.
    kind : {"svg", "png"}
        Form of the picture.

    Returns
    -------
    bytes
        The same input gives the same bytes.
    """
    import matplotlib as mpl  # heavy: only a picture pays for it
    from matplotlib.figure import Figure

    points, targets = found.points, found.targets
    by = f"by session {found.horizon}"
    with mpl.rc_context({"font.size": 10, "svg.hashsalt": "retreat"}):
        effect = found.scenario.effect
        figure = Figure(figsize=(8.4, 6.4), layout="constrained")
        if found.scenario.cautions:
            figure.suptitle("\n".join(found.scenario.cautions), fontsize=10)
        axes = figure.subplots(2, 2, sharex=True).ravel()
        for style, end in zip(_STYLES, found.scenario.ends, strict=False):
            _curve(axes[0], found, [one.slope[end] for one in points], style, end)
            _curve(axes[1], found, [one.slope_width[end] for one in points], style, end)
        _curve(axes[2], found, [one.width_95 for one in points], _STYLES[0], "95% interval")
        _curve(axes[2], found, [one.width_80 for one in points], _STYLES[1], "80% interval")
        _target(axes[0], targets.shrinkage)
        _target(axes[1], targets.slope_width)
        _target(axes[2], targets.width)
        axes[0].set_title(f"Expected calibration slope {by}", loc="left")
        axes[1].set_title("Spread of the slope, 95 of 100 studies", loc="left")
        axes[2].set_title(f"Width, P({found.end} {by}), typical eye", loc="left")
        if effect is None:
            failures = [Estimate(one.failures, 0.0) for one in points]
            _curve(axes[3], found, failures, _STYLES[0], "no finite estimate")
            _target(axes[3], targets.failures)
            axes[3].set_title("Share of studies that cannot be fitted", loc="left")
        else:
            power = [one.power for one in points if one.power is not None]
            label = f"odds ratio {effect.odds_ratio:g}, {effect.column}"
            _curve(axes[3], found, power, _STYLES[0], label)
            _target(axes[3], targets.power)
            axes[3].set_title(f"Power, effect on {effect.end}", loc="left")
        for one in axes:
            one.spines[["top", "right"]].set_visible(False)
            one.set_ylim(bottom=0.0)
            one.legend(frameon=False, fontsize=9)
        for one in axes[2:]:
            one.set_xlabel("Eyes in the study")
        stream = io.BytesIO()
        metadata = {"Date": None} if kind == "svg" else {"Software": None}
        figure.savefig(stream, format=kind, dpi=_DOTS_PER_INCH, metadata=metadata)
    return stream.getvalue()


def _curve(
    axes: Axes, found: StudySize, values: list[Estimate], style: tuple[str, str, str], label: str
) -> None:
    colour, marker, line = style
    axes.errorbar(
        [one.eyes for one in found.points],
        [one.value for one in values],
        yerr=[1.96 * one.error if np.isfinite(one.error) else 0.0 for one in values],
        color=colour,
        marker=marker,
        linestyle=line,
        capsize=2,
        markersize=5,
        label=label,
    )


def _target(axes: Axes, level: float) -> None:
    axes.axhline(level, color=_GREY, linewidth=1, linestyle=":")
