"""The calibration figure shows the numbers it was given."""

from __future__ import annotations

import base64
import re
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure

from retreat.pages.plots import calibration_figure

X = np.linspace(0.1, 0.9, 5)
CURVE = {"label": "core", "predicted": X, "observed": X**2, "low": X**2 - 0.05, "high": X**2 + 0.05}
GROUPS: dict[str, Any] = {
    **{"label": "fifths", "predicted": [0.2, 0.6], "observed": [0.25, 0.5]},
    **{"low": [0.1, 0.4], "high": [0.4, 0.6], "n": [40, 80]},
}
FACTS: dict[str, Any] = {
    "density": np.full(30, 0.31),
    "n": 120,
    "n_events": 47,
    "title": "Relieved by session 2",
}


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[Figure]:
    kept: list[Figure] = []
    write = Figure.savefig

    def keep(self: Figure, *args: Any, **kwargs: Any) -> None:
        kept.append(self)
        write(self, *args, **kwargs)

    monkeypatch.setattr(Figure, "savefig", keep)
    return kept


def test_curve_band_points_and_line_of_agreement_are_drawn_where_they_belong(drawn: list[Figure]):
    calibration_figure([CURVE], groups=[GROUPS], **FACTS)
    main, strip = drawn[0].axes
    agreement, curve = main.lines
    np.testing.assert_array_equal(agreement.get_xydata(), [[0, 0], [1, 1]])
    np.testing.assert_allclose(curve.get_xydata(), np.column_stack([X, X**2]))
    band, bars, points = main.collections
    assert band.get_paths()[0].vertices[:, 1].max() == pytest.approx(0.86)
    np.testing.assert_allclose([s[:, 1] for s in bars.get_segments()], [[0.1, 0.4], [0.4, 0.6]])
    np.testing.assert_allclose(points.get_offsets(), [[0.2, 0.25], [0.6, 0.5]])
    assert (main.get_xlim(), main.get_ylim()) == ((0, 1), (0, 1))
    assert [bar.get_height() for bar in strip.patches if bar.get_height()] == [30]


def test_the_number_of_cases_and_events_stands_in_the_figure(drawn: list[Figure]):
    calibration_figure([CURVE], **FACTS)
    assert drawn[0].axes[0].get_title(loc="left") == "Relieved by session 2\nn = 120, events = 47"


def test_curves_differ_without_colour(drawn: list[Figure]):
    calibration_figure([{**CURVE, "label": str(i)} for i in range(4)], **FACTS)
    lines = drawn[0].axes[0].lines[1:]
    assert len({str(line._unscaled_dash_pattern) for line in lines}) == 4
    bands = drawn[0].axes[0].collections
    assert len({band.get_hatch() for band in bands}) == 4


def test_the_same_numbers_give_the_same_bytes():
    first = calibration_figure([CURVE], groups=[GROUPS], **FACTS)
    assert first == calibration_figure([CURVE], groups=[GROUPS], **FACTS)
    kind, _, data = first.partition(",")
    assert kind == "data:image/svg+xml;base64"
    assert re.search(r"<svg", base64.b64decode(data).decode())


def test_more_curves_than_can_be_told_apart_are_refused():
    with pytest.raises(ValueError, match="at most 4"):
        calibration_figure([CURVE] * 5, **FACTS)
